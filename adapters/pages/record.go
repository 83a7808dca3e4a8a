package pages

import (
	"cmp"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

const (
	maxRecords = 100       // on one list
	glassLasts = time.Hour // an opened record closes again
	minReason  = 10        // characters
	maxReason  = 300
	maxWords   = 200 // bytes of a search
)

// mine says whether the person sees this record: one of its sources is a sender of theirs.
func (c *call) mine(rec implant.Record) bool {
	if !c.person.May(access.SeeRecords) {
		return false
	}
	return slices.ContainsFunc(rec.Aliases, func(a string) bool {
		sender, _, ok := strings.Cut(a, "|")
		return ok && !strings.HasPrefix(a, "id:") && c.person.OfSender(sender)
	})
}

// opened says whether the person has broken the glass of a record and it has not closed again.
func (c *call) opened(id string) bool {
	until, err := time.Parse(time.RFC3339, c.sessions.GetString(c.ctx(), keyGlass+id))
	return err == nil && c.Now().Before(until) && c.person.May(access.BreakTheGlass)
}

func (p *pages) records(c *call) error {
	return c.show("records", http.StatusOK, "Implant records", map[string]any{"Senders": c.person.Senders})
}

type listed struct {
	ID     string
	Record implant.Record
	Name   string
	Number string
	Mine   bool
	Open   int // questions
}

// findRecord searches by identifier or family name. A person outside the scope is found by the whole identifier
// only, and without a name: it can then be opened with a reason.
func (p *pages) findRecord(c *call) error {
	words := strings.ToLower(strings.TrimSpace(c.r.PostFormValue("words")))
	if len(words) < 2 || len(words) > maxWords {
		return errBadForm
	}
	var out []listed
	more := false
	err := p.Service.Store.View(c.ctx(), func(r pipeline.Reader) error {
		err := r.Records(c.ctx(), "", func(rec implant.Record) error {
			mine, number := c.mine(rec), hasNumber(rec, words)
			if !number && !(mine && strings.HasPrefix(strings.ToLower(rec.Person.Family), words)) {
				return nil
			}
			if len(out) == maxRecords {
				more = true
				return errEnough
			}
			x := listed{ID: p.Seal.ID("record", rec.Patient), Mine: mine, Number: words}
			if mine {
				x.Record, x.Name, x.Number, x.Open = rec, personName(rec.Person), personNumber(rec.Person), len(rec.Questions)
			}
			out = append(out, x)
			return nil
		})
		if errors.Is(err, errEnough) {
			return nil
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := c.note(access.Event{Action: access.Executed, What: "search"}); err != nil {
		return err
	}
	return c.show("records", http.StatusOK, "Implant records", map[string]any{"Senders": c.person.Senders, "Found": out, "More": more, "Searched": true, "Words": c.r.PostFormValue("words")})
}

var errEnough = errors.New("enough")

func hasNumber(rec implant.Record, number string) bool {
	return slices.ContainsFunc(rec.Person.Identifiers, func(i implant.Identifier) bool { return strings.ToLower(i.Value) == number })
}

// openRecord gives the record of the address if the person may see it; it notes what is seen, and what is refused.
func (p *pages) openRecord(c *call, what string, on, known time.Time) (implant.Record, error) {
	id := c.r.PathValue("id")
	key, err := p.Seal.Key("record", id)
	if err != nil {
		return implant.Record{}, err
	}
	now, err := p.Service.RecordAsOf(c.ctx(), key, time.Time{}, time.Time{})
	if err != nil {
		return now, err
	}
	if !c.mine(now) && !c.opened(id) {
		err := c.note(access.Event{Action: access.Seen, What: what, Object: id, Refused: true})
		return now, cmp.Or(err, errOutside)
	}
	if err := c.note(access.Event{Action: access.Seen, What: what, Object: id}); err != nil {
		return now, err
	}
	if on.IsZero() && known.IsZero() {
		return now, nil
	}
	return p.Service.RecordAsOf(c.ctx(), key, on, known)
}

// errOutside: the record is not of the person's senders and was not opened with a reason.
var errOutside = errors.New("record outside the scope")

// outsideOr leads to the page that asks for a reason, where the person may break the glass.
func outsideOr(c *call, err error) error {
	switch {
	case !errors.Is(err, errOutside):
		return err
	case c.person.May(access.BreakTheGlass):
		return redirect(c, "/records/"+c.r.PathValue("id")+"/open")
	}
	return errNotYou
}

func (p *pages) record(c *call) error {
	on, errOn := dayAfter(c.r.URL.Query().Get("on"))
	known, errKnown := dayAfter(c.r.URL.Query().Get("known"))
	if errOn != nil || errKnown != nil {
		return errBadForm
	}
	rec, err := p.openRecord(c, "record", on, known)
	if err != nil {
		return outsideOr(c, err)
	}
	data := map[string]any{"ID": c.r.PathValue("id"), "Name": personName(rec.Person), "Number": personNumber(rec.Person), "Record": rec,
		"Body": drawBody(rec, nil, p.zones(rec)), "Timeline": timeline(rec), "Answers": banner.Answers(rec), "On": c.r.URL.Query().Get("on"), "Known": c.r.URL.Query().Get("known"),
		"Today": p.Now().UTC().Format(time.DateOnly), "MayReview": c.person.May(access.Review) && c.mine(rec), "Borrowed": !c.mine(rec)}
	return c.show("record", http.StatusOK, "Implant record of "+personName(rec.Person), data)
}

// dayAfter gives the first moment after a day, zero for no day.
func dayAfter(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.DateOnly, s)
	return t.AddDate(0, 0, 1), err
}

// happened is a line of the timeline.
type happened struct {
	At      string
	What    string
	Sources []implant.Source
}

// timeline gives the events in the words of the note, each with its sources.
func timeline(rec implant.Record) (out []happened) {
	for i, line := range banner.Events(rec) {
		at, what, _ := strings.Cut(line, ": ")
		out = append(out, happened{At: at, What: what, Sources: rec.Events[i].Sources})
	}
	return out
}

func (p *pages) glassForm(c *call) error {
	if _, err := p.Seal.Key("record", c.r.PathValue("id")); err != nil {
		return err
	}
	return c.show("glass", http.StatusOK, "Open a record outside your patients", map[string]any{"ID": c.r.PathValue("id"), "Min": minReason, "Max": maxReason})
}

// breakGlass opens one record for an hour, with a reason that the audit keeps.
func (p *pages) breakGlass(c *call) error {
	id, reason := c.r.PathValue("id"), strings.TrimSpace(c.r.PostFormValue("reason"))
	if _, err := p.Seal.Key("record", id); err != nil {
		return err
	}
	if len([]rune(reason)) < minReason || len(reason) > 4*maxReason {
		return errBadForm
	}
	if err := c.note(access.Event{Action: access.Seen, What: "break-glass", Object: id, Reason: reason}); err != nil {
		return err
	}
	p.sessions.Put(c.ctx(), keyGlass+id, p.Now().Add(glassLasts).Format(time.RFC3339))
	return redirect(c, "/records/"+id)
}
