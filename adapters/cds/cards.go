package cds

import (
	"encoding/json"
	"strings"
	"time"

	"github.com/google/uuid"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// maxSummary: a summary has fewer than 140 characters (CDS, card attributes).
const maxSummary = 139

// answer is the response to a hook (CDS, response). Cards is never left out.
type answer struct {
	Cards         []card   `json:"cards"`
	SystemActions []action `json:"systemActions,omitempty"`

	service  *Service
	hook     string
	instance string
	at       time.Time
}

type card struct {
	UUID              string       `json:"uuid"`
	Summary           string       `json:"summary"`
	Detail            string       `json:"detail"`
	Indicator         string       `json:"indicator"`
	Source            source       `json:"source"`
	Suggestions       []suggestion `json:"suggestions,omitempty"`
	SelectionBehavior string       `json:"selectionBehavior,omitempty"`
	OverrideReasons   []coding     `json:"overrideReasons,omitempty"`
	Links             []link       `json:"links,omitempty"`
}

type source struct {
	Label string  `json:"label"`
	Topic *coding `json:"topic,omitempty"`
}

type coding struct {
	System  string `json:"system"`
	Code    string `json:"code"`
	Display string `json:"display"`
}

type suggestion struct {
	Label   string   `json:"label"`
	UUID    string   `json:"uuid"`
	Actions []action `json:"actions"`
}

type action struct {
	Type        string          `json:"type"`
	Description string          `json:"description"`
	Resource    json.RawMessage `json:"resource"`
}

type link struct {
	Label string `json:"label"`
	URL   string `json:"url"`
	Type  string `json:"type"`
}

// indicators of the verdicts. FHIR R4's code system for them says of critical that the workflow should not go on
// without a decision.
var indicators = map[mri.Kind]string{mri.KindUnsafe: "critical", mri.KindOutside: "critical", mri.KindNotEstablished: "critical",
	mri.KindWithinIf: "warning", mri.KindNothing: "info"}

// overrideSystem is the code system of OverrideReasons.
const overrideSystem = banner.System + "/CodeSystem/override-reason"

// overrideReasons are what a user may pick who goes on in spite of a card. Our own list; none says that a scan may be
// done, each says who answers for it.
var overrideReasons = []coding{
	{overrideSystem, "director-decided", "The MR medical director or the radiologist designated has decided on this order"},
	{overrideSystem, "to-be-identified", "The implant will be identified before the examination"},
	{overrideSystem, "removed-elsewhere", "The implant was removed elsewhere; the operation note will be sent"},
	{overrideSystem, "other-examination", "This order is for no magnetic resonance examination"},
	{overrideSystem, "other-person", "The implant record is about another person"},
	{overrideSystem, "emergency", "Emergency: the decision is made and documented by those responsible"},
	{overrideSystem, "other", "Another reason, stated in the comment"},
}

// OverrideReasons gives the codes of the reasons a user may pick.
func OverrideReasons() []string {
	var out []string
	for _, c := range overrideReasons {
		out = append(out, c.Code)
	}
	return out
}

// id names a thing of this call for feedback; the same call asked again gives the same names.
func (a *answer) id(parts ...string) string {
	space := uuid.NewSHA1(uuid.NameSpaceURL, []byte(banner.System+"/cds/"+strings.ToLower(a.instance)+"/"+a.hook))
	return uuid.NewSHA1(space, []byte(strings.Join(parts, "\x00"))).String()
}

// label names us as the source of a card.
const label = implant.NoteAuthor

// plain adds a card that is about no verdict.
func (a *answer) plain(what, indicator, summary, detail string) {
	a.Cards = append(a.Cards, card{UUID: a.id("card", what), Summary: short(summary), Detail: detail, Indicator: indicator, Source: source{Label: label}})
}

// order adds the card of one draft order, and the note on it: while it is being written as a suggestion, when it is
// signed as an action of the system.
func (a *answer) order(o order, n banner.Note, unknown bool, remarks []string) {
	kind, text := n.Verdict.Kind, banner.Plain(n)
	c := card{UUID: a.id("card", o.ref, string(o.raw)), Summary: short(summaryOf(o, kind, unknown)), Indicator: indicators[kind],
		Detail:          strings.Join(append(remarks, banner.Markdown(text)), "\n\n"),
		Source:          source{Label: label, Topic: &coding{implant.VerdictSystem, string(kind), banner.Headline(kind)}},
		OverrideReasons: overrideReasons}
	if c.Indicator == "" {
		c.Indicator = "critical"
	}
	if f := a.service.RecordURL; f != nil && !unknown {
		c.Links = []link{{"Implant record", f(n.Record.Patient), "absolute"}}
	}
	if noted, err := banner.Annotate(o.raw, text, a.at); err == nil {
		act := action{"update", "Put the implant note on the order", noted}
		if a.hook == "order-sign" {
			a.SystemActions = append(a.SystemActions, act)
		} else {
			c.SelectionBehavior = "at-most-one"
			c.Suggestions = []suggestion{{Label: "Put the implant note on the order", UUID: a.id("note", o.ref, string(o.raw)), Actions: []action{act}}}
		}
	}
	a.Cards = append(a.Cards, c)
}

// summaryOf is the headline, and for several orders which one is meant.
func summaryOf(o order, kind mri.Kind, unknown bool) string {
	if unknown && kind == mri.KindNothing {
		return "No implant record is kept for this patient: that does NOT mean nothing is implanted"
	}
	text := banner.Headline(kind)
	if text == "" {
		text = banner.Headline(mri.KindNotEstablished)
	}
	if of := strings.TrimSpace(o.referral.Text); of != "" {
		text += ": \"" + of + "\""
	}
	return text
}

// short cuts what follows the warning, which stands first; a headline is never as long.
func short(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > maxSummary {
		return string(r[:maxSummary-1]) + "…"
	}
	return s
}
