package pages

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

const maxTraced = 500

// walk traces by going through every record: right for small installations, slow for large ones.
type walk struct{ store pipeline.Store }

// Trace finds parts whose model, device identifier, lot or serial number is the query, whatever their state.
func (t walk) Trace(ctx context.Context, query string, limit int) (out []Carried, more bool, err error) {
	err = t.store.View(ctx, func(r pipeline.Reader) error {
		err := r.Records(ctx, "", func(rec implant.Record) error {
			for _, p := range rec.Parts {
				if !carries(p.Component, query) {
					continue
				}
				if len(out) == limit {
					more = true
					return errEnough
				}
				out = append(out, Carried{Patient: rec.Patient, Part: p.ID})
			}
			return nil
		})
		if errors.Is(err, errEnough) {
			return nil
		}
		return err
	})
	return out, more, err
}

func carries(c implant.Component, query string) bool {
	plain := func(s string) string { return strings.ToUpper(strings.Join(strings.Fields(s), "")) }
	q := plain(query)
	return q != "" && slices.ContainsFunc([]string{c.Model, c.DI, c.Lot, c.Serial, c.UDI}, func(s string) bool { return plain(s) == q })
}

func (p *pages) traceForm(c *call) error {
	return c.show("trace", http.StatusOK, "Trace a device", map[string]any{"Whole": p.Notices != nil && c.person.May(access.SeeLabelling), "Notice": Notice{}, "Kinds": partKinds()})
}

// kindOf is a choice of the form.
type kindOf struct {
	Kind implant.Kind
	Name string
}

func partKinds() (out []kindOf) {
	for _, k := range implant.Kinds() {
		out = append(out, kindOf{k, banner.KindName(k)})
	}
	return out
}

// traced is a line of the letter list.
type traced struct {
	ID, Name, Number, Birth string
	Part                    implant.Part
	Line                    string
	InBody                  bool
	State                   string // in place, perhaps in place, or out
	Outside                 bool   // of other senders: counted, not named
}

func (p *pages) trace(c *call) error {
	query := strings.TrimSpace(c.r.PostFormValue("words"))
	if len(query) < 2 || len(query) > maxWords {
		return errBadForm
	}
	found, more, err := p.Tracer.Trace(c.ctx(), query, maxTraced)
	if err != nil {
		return err
	}
	if err := c.note(access.Event{Action: access.Executed, What: "trace"}); err != nil {
		return err
	}
	var out []traced
	outside := 0
	for _, f := range found {
		rec, err := p.Service.RecordAsOf(c.ctx(), f.Patient, dayZero, dayZero)
		if err != nil {
			return err
		}
		if !c.person.May(access.SeeLabelling) && !c.mine(rec) { // the safety officer traces for the whole house
			outside++
			continue
		}
		id := p.Seal.ID("record", rec.Patient)
		if err := c.note(access.Event{Action: access.Seen, What: "trace", Object: id}); err != nil {
			return err
		}
		for _, part := range rec.Parts {
			if part.ID == f.Part {
				out = append(out, traced{ID: id, Name: personName(rec.Person), Number: personNumber(rec.Person), Birth: string(rec.Person.Birth),
					Part: part, Line: banner.PartLine(part), InBody: part.State.InBody(), State: whereNow(part.State)})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b traced) int { return boolFirst(a.InBody, b.InBody) })
	return c.show("trace", http.StatusOK, "Trace a device", map[string]any{"Searched": true, "Words": query, "Found": out, "People": patients(out), "More": more, "Outside": outside,
		"Today": p.Now().UTC().Format("2006-01-02 15:04 UTC"), "Links": c.person.May(access.SeeRecords)})
}

// patients counts those of a list.
func patients(list []traced) int {
	ids := map[string]bool{}
	for _, t := range list {
		ids[t.ID] = true
	}
	return len(ids)
}

// whereNow says of a part whether it is in the body, may be, or is out, as recorded.
func whereNow(s implant.State) string {
	switch s {
	case implant.Connected, implant.NotConnected, implant.Capped:
		return "in the body"
	case implant.Cut, implant.RemovedInPart:
		return "in part in the body"
	case implant.RemovedWhole:
		return "out, as recorded"
	case implant.NeverImplanted:
		return "not put in, as recorded"
	}
	return "MAY BE in the body"
}

func boolFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}
