package banner

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// Limits of the plain text, so that a record with hundreds of parts still makes a text a person reads. What is
// left out is counted in the text.
const (
	maxLines      = 12  // of one list
	maxQuoteWords = 160 // bytes of quoted words
)

// kindNames are the trade's words for kinds of component.
var kindNames = map[implant.Kind]string{
	implant.Generator: "Pulse generator", implant.Lead: "Lead", implant.Extension: "Extension", implant.Adaptor: "Adaptor",
	implant.Anchor: "Anchor", implant.Pump: "Drug pump", implant.Catheter: "Catheter", implant.Hardware: "Hardware (passive)",
	implant.OtherActive: "Other active implant", implant.Unidentified: "Unidentified device",
}

// KindName gives the trade's word for a kind of component.
func KindName(k implant.Kind) string { return known2(kindNames[k], "Unidentified device") }

func known2(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// PartLine describes a part in one line: what, identity, where, state, dates.
func PartLine(p implant.Part) string {
	words := append(make([]string, 0, 12), partLabel(&p))
	c := p.Component
	if c.Serial != "" {
		words = append(words, "serial "+c.Serial)
	}
	if c.Lot != "" {
		words = append(words, "lot "+c.Lot)
	}
	words = append(words, placeWords(p.Site)...)
	words = append(words, State(p.State))
	if p.Implanted.Known() {
		words = append(words, "implanted "+date(p.Implanted))
	} else {
		words = append(words, "implant date not known")
	}
	if p.Removed.Known() {
		words = append(words, "removed "+date(p.Removed))
	} else if p.State == implant.RemovalToCome {
		words = append(words, "removal dated "+date(p.Since))
	} else if p.Since.Known() && p.Since != p.Implanted {
		words = append(words, "since "+date(p.Since))
	}
	return strings.Join(words, ", ")
}

func partLabel(p *implant.Part) string {
	c := p.Component
	model := c.Model
	if model == "" {
		model = c.Name
	}
	if model == "" {
		model = "model not known"
	}
	return KindName(c.Kind) + " " + strings.TrimSpace(c.Maker+" "+model)
}

func placeWords(s implant.Site) []string {
	var out []string
	region := strings.ReplaceAll(known2(s.Pocket, s.Region), "-", " ")
	if w := strings.TrimSpace(string(s.Side) + " " + region); w != "" {
		out = append(out, w)
	}
	for _, x := range [][2]string{{"level ", s.Level}, {"entry ", s.Entry}, {"tip ", s.Tip}, {"nerve ", s.Nerve}} {
		if x[1] != "" {
			out = append(out, x[0]+x[1])
		}
	}
	if len(out) == 0 {
		out = append(out, "place not known")
	}
	return out
}

// date shortens an instant to its day; other precisions stand as stated.
func date(w implant.When) string {
	if w.DayPrecise() {
		return string(w[:10])
	}
	return string(w)
}

func partName(rec implant.Record, id string) string {
	for i := range rec.Parts { // a part is large to copy
		if p := &rec.Parts[i]; p.ID == id {
			name := partLabel(p)
			if p.Component.Serial != "" {
				name += " (serial " + p.Component.Serial + ")"
			}
			if p.Site.Side != "" {
				name += ", " + string(p.Site.Side)
			}
			return name
		}
	}
	return "A part"
}

// Note is what the plain text is made from.
type Note struct {
	Verdict  mri.Verdict
	Record   implant.Record
	Revision int      // 1 first; higher supersedes
	Changes  []string // what changed since the revision before
	// Reminder is above 0 for one that is sent again since nobody has acknowledged it: which, and since when it is due.
	Reminder   int
	RemindedAt time.Time
}

// Text is the whole note in plain text: Plain, or that the note is withdrawn.
func Text(n Note, withdrawn bool) string {
	if withdrawn {
		return fmt.Sprintf(withdrawnText, moment(n.Verdict))
	}
	return Plain(n)
}

// recordAsOf is the record as it stands at the moment of the verdict.
func recordAsOf(n Note) implant.Record {
	_, to, ok := n.Verdict.AsOf.Bounds()
	if !ok {
		return n.Record
	}
	return n.Record.AsOf(to)
}

// usualNote is about as long as a note is, in bytes.
const usualNote = 4 << 10

// Plain puts the verdict in plain text: the headline first, then why, what is in the body, what to confirm, what is
// open, and the cautions. It is the text on the referral and is complete by itself. A line feed in a source's words
// becomes a space: no source can write a line of its own.
func Plain(n Note) string {
	n.Record = recordAsOf(n)
	var b strings.Builder
	b.Grow(usualNote)
	v := n.Verdict
	fmt.Fprintf(&b, "%s\n%s\n", firstLine(v.Kind), Meaning(v.Kind))
	fmt.Fprintf(&b, "%s As of %s.", oneLine(examWords(v.Exam)), moment(v))
	if n.Revision > 1 {
		fmt.Fprintf(&b, " Revision %d: replaces all earlier notes on this order.", n.Revision)
	}
	b.WriteString("\n")
	list(&b, "Changed", n.Changes)
	list(&b, "Why", Reasons(v, n.Record))
	list(&b, "In the body, as recorded", Parts(n.Record, true))
	full(&b, "Scanners", scannerLines(v, n.Record))
	full(&b, "Confirm before the scan and keep to during it, every point", confirmLines(v, mri.Before, mri.During))
	full(&b, "Also keep to one of these ways, whole; never mix them", wayLines(v))
	full(&b, "Limits, the strictest of all ways", limitLines(v.Limits))
	full(&b, "After the scan", confirmLines(v, mri.After))
	if v.EarliestChange.Known() {
		fmt.Fprintf(&b, "A healing time ends: the answer may be another from %s on. Ask again then.\n", v.EarliestChange)
	}
	list(&b, "Open questions on this record", Questions(n.Record))
	full(&b, answeredTitle, Answers(n.Record))
	list(&b, "Out of the body, as recorded", Parts(n.Record, false))
	list(&b, "Labelling relied on", labelLines(v.Labels))
	full(&b, "Cautions", cautionLines(v.Cautions))
	return b.String()
}

// list writes at most maxLines lines and counts the rest.
func list(b *strings.Builder, title string, lines []string) {
	if n := len(lines) - maxLines; n > 0 {
		lines = append(slices.Clone(lines[:maxLines]), fmt.Sprintf("and %d more, not listed here", n))
	}
	full(b, title, lines)
}

// full writes every line: what is to be confirmed or kept to is never cut.
func full(b *strings.Builder, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	b.WriteString(title)
	b.WriteString(":\n")
	for _, l := range lines {
		b.WriteString("- ")
		b.WriteString(oneLine(l))
		b.WriteString("\n")
	}
}

// oneLine turns control characters and line separators into spaces.
func oneLine(s string) string {
	if printable(s) {
		return s
	}
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
}

// printable says whether a text is of printable ASCII alone, as most are.
func printable(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// examWords says which examination the verdict is for: it holds for no other.
func examWords(e mri.Exam) string {
	var regions []string
	for _, r := range e.Regions {
		name := Element(r.Region)
		if r.Words != "" {
			name += " (asked for beside the order: \"" + r.Words + "\")"
		}
		regions = append(regions, name)
	}
	text := "For MR of: " + known2(strings.Join(regions, ", "), "region NOT KNOWN")
	if e.Laterality != "" {
		text += ", " + string(e.Laterality)
	}
	if e.Date.Known() {
		return text + ", planned " + date(e.Date) + "."
	}
	return text + "."
}

// Reasons says why a verdict stands, a line each; none where nothing forbids or is open.
func Reasons(v mri.Verdict, rec implant.Record) []string {
	var out []string
	for _, r := range v.Reasons {
		if t := ReasonText(r, rec); !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	return out
}

// Parts lists the parts in or out of the body, a line each.
func Parts(rec implant.Record, inBody bool) []string {
	var out []string
	for _, p := range sortedParts(rec, inBody) {
		out = append(out, PartLine(*p))
	}
	return out
}

// sortedParts gives the parts in or out of the body by system, power source first, left before right.
func sortedParts(rec implant.Record, inBody bool) []*implant.Part {
	var parts []*implant.Part
	for i := range rec.Parts {
		if p := &rec.Parts[i]; p.State.InBody() == inBody {
			parts = append(parts, p)
		}
	}
	slices.SortStableFunc(parts, func(a, b *implant.Part) int {
		return cmp.Or(cmp.Compare(a.System, b.System), cmp.Compare(kindOrder(a), kindOrder(b)), cmp.Compare(a.Site.Side, b.Site.Side))
	})
	return parts
}

// kindOrder puts the power source first, then what is connected to it.
func kindOrder(p *implant.Part) int {
	return slices.Index([]implant.Kind{implant.Generator, implant.Pump, implant.Adaptor, implant.Extension, implant.Lead, implant.Catheter}, p.Component.Kind)
}

func scannerLines(v mri.Verdict, rec implant.Record) []string {
	var out []string
	for _, s := range v.Scanners {
		if s.Truth == mri.Met {
			out = append(out, scannerName(s)+": conditions known now are met; the points to confirm are NOT yet confirmed")
			continue
		}
		line := scannerName(s) + ": conditions NOT met"
		if s.Truth == mri.Unknown {
			line = scannerName(s) + ": not established"
		}
		out = append(out, line+known2(scannerReasons(s, rec), ", see Why"))
	}
	return out
}

func scannerName(s mri.ScannerAnswer) string { return known2(s.Name, s.ID) }

// maxScannerReasons are named for one scanner; the rest is counted.
const maxScannerReasons = 3

// scannerReasons joins what stops on a scanner, each condition once.
func scannerReasons(s mri.ScannerAnswer, rec implant.Record) string {
	var texts []string
	seen := map[string]bool{}
	for _, r := range s.Reasons {
		if key := r.Code + "\x00" + r.Part + "\x00" + strings.Join(r.Args, "\x00"); !seen[key] {
			seen[key] = true
			texts = append(texts, strings.TrimSuffix(ReasonText(r, rec), "."))
		}
	}
	if n := len(texts) - maxScannerReasons; n > 0 {
		texts = append(texts[:maxScannerReasons], fmt.Sprintf("and %d more", n))
	}
	if len(texts) == 0 {
		return ""
	}
	return "; " + strings.Join(texts, "; ")
}

func clip(s string) string {
	if len(s) <= maxQuoteWords {
		return s
	}
	return strings.ToValidUTF8(s[:maxQuoteWords], "") + "…"
}

// maxQuestionParts are named in one question; the rest is counted.
const maxQuestionParts = 2

// Questions lists what is open on a record, a line each, with the words that raise it.
func Questions(rec implant.Record) []string {
	var out []string
	for _, q := range rec.Questions {
		line := QuestionText(q.Code)
		if q.Detail != "" {
			line += " (" + clip(q.Detail) + ")"
		}
		for i, id := range q.Parts {
			if i == maxQuestionParts {
				line += fmt.Sprintf(" and %d more", len(q.Parts)-i)
				break
			}
			line += " [" + partName(rec, id) + "]"
		}
		line += quotesOf(q)
		if !slices.Contains(out, line) {
			out = append(out, line)
		}
	}
	return out
}

// sidesQuoted is how many sides of a conflict are quoted.
const sidesQuoted = 2

// quotesOf quotes the words that raise a question: the first, and where sources disagree the other side too.
func quotesOf(q implant.Question) string {
	var words []string
	for _, s := range q.Sources {
		w := "\"" + clip(s.Quote) + "\""
		if s.Quote != "" && !slices.Contains(words, w) && (len(words) == 0 || conflicts[q.Code] && len(words) < sidesQuoted) {
			words = append(words, w)
		}
	}
	if len(words) == 0 {
		return ""
	}
	return " " + strings.Join(words, " against ")
}

// conflicts are the questions that two sources raise together.
var conflicts = map[implant.QuestionCode]bool{implant.AskStatesConflict: true, implant.AskOrderUnknown: true, implant.AskSideConflict: true,
	implant.AskLevelConflict: true, implant.AskIdentityConflict: true, implant.AskLabelConflict: true}

func labelLines(labels []mri.LabelRef) []string {
	var out []string
	for _, l := range labels {
		line := fmt.Sprintf("%s: %s, edition %s, reviewed %s", l.Document, known2(l.Title, "no title"), known2(l.Edition, "not stated"), known2(date(l.Reviewed), "not stated"))
		if l.Stale {
			line += " (too old)"
		}
		out = append(out, line)
	}
	return out
}

func cautionLines(codes []string) []string {
	var out []string
	for _, c := range codes {
		out = append(out, known2(Caution(c), c))
	}
	return out
}

// eventNames are the trade's words for what happened.
var eventNames = map[implant.EventKind]string{
	implant.EventImplanted: "implanted", implant.EventRevised: "revised", implant.EventReplaced: "replaced",
	implant.EventRepositioned: "repositioned", implant.EventPartlyExplanted: "PARTLY explanted", implant.EventExplanted: "explanted whole",
	implant.EventReportedRemoved: "reported removed, unconfirmed", implant.EventComplication: "complication", implant.EventFollowUp: "follow-up",
}

// Events lists what happened, a line each, in effective time. A removal that the record does not believe whole is not
// told as one.
func Events(rec implant.Record) []string {
	var out []string
	for _, e := range rec.Events {
		line := known2(date(e.At), "date not known") + ": " + eventName(rec, e)
		for _, id := range e.In {
			line += "; put in: " + partName(rec, id)
		}
		for _, id := range e.Out {
			line += "; " + outWord(stateOf(rec, id)) + partName(rec, id)
		}
		for _, id := range e.Parts {
			line += "; concerns: " + partName(rec, id)
		}
		for _, r := range e.Reasons {
			line += "; " + reasonWords(e.Kind, r)
		}
		for _, v := range e.Values {
			line += "; " + v
		}
		out = append(out, line)
	}
	return out
}

// reasonWords writes a reason of package codes for people; what is none of its words is given as it is.
func reasonWords(kind implant.EventKind, reason string) string {
	words := strings.ReplaceAll(reason, "-", " ")
	switch reason {
	case "resolution":
		words = "pain resolved"
	case "mr-needed":
		words = "MR needed"
	case "csf-leak":
		words = "CSF leak"
	}
	if kind == implant.EventComplication {
		return words
	}
	return "reason: " + words
}

func eventName(rec implant.Record, e implant.Event) string {
	name := eventNames[e.Kind]
	if slices.ContainsFunc(e.Out, func(id string) bool { return stateOf(rec, id) == implant.RemovalToCome }) {
		return "dated AHEAD, not happened: " + name
	}
	if e.Kind == implant.EventExplanted && slices.ContainsFunc(e.Out, func(id string) bool { return stateOf(rec, id).InBody() }) {
		return "reported " + name + ", UNCONFIRMED"
	}
	return name
}

// outWord says how sure it is that a part came out, by its state now.
func outWord(s implant.State) string {
	switch {
	case !s.InBody():
		return "taken out: "
	case s == implant.RemovedInPart:
		return "out IN PART, fragment retained: "
	case s == implant.RemovalToCome:
		return "to come out, still IN PLACE: "
	}
	return "reported out, UNCONFIRMED: "
}

// stateOf gives the state of a part of the record; one that is not in it is unknown.
func stateOf(rec implant.Record, id string) implant.State {
	for i := range rec.Parts {
		if p := &rec.Parts[i]; p.ID == id {
			return p.State
		}
	}
	return implant.StateUnknown
}

// moment is that of a verdict as people read it, to the second: "2026-06-01 09:00:01 UTC".
func moment(v mri.Verdict) string {
	if from, _, ok := v.AsOf.Bounds(); ok && len(v.AsOf) > len(time.DateOnly) {
		return from.UTC().Format("2006-01-02 15:04:05 UTC")
	}
	return string(v.AsOf)
}
