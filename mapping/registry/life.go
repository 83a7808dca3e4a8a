package registry

import (
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// Life is what the figures need of one component: what it is, when it went in and was first told of, and what ended
// or changed its service. Dates are as the record has them; "" is not on record.
type Life struct {
	Kind, Maker, Model string
	Implanted, Told    implant.When
	Revised            implant.When // first re-operation on it that left or made the system working
	Out                implant.When // first event that took it out, for whatever reason
	Why                string       // of Out: WhyDevice or WhyOther
	Died               implant.When // of the patient
	Flags              string       // letters: see Undated and DeadUndated
}

// Why a component came out.
const (
	WhyDevice = "device" // a stated fault or complication, or no reason stated: the cautious reading
	WhyOther  = "other"  // stated, and none of it a fault or complication; see elective
)

// Flags of a life.
const (
	Undated     = "u" // it was revised or came out, and no source says when
	DeadUndated = "d" // the patient died, and no source says when
)

// elective are the reasons of ours that are no fault of the component and no complication.
// Common practice, no source.
var elective = []string{codes.Resolved, codes.MRNeeded, codes.OtherSurgery, codes.Preference, codes.Upgrade}

// Lives gives a life for each part of a record that went in, by part id. A component without a known implantation has
// one too: figures say how many they leave out.
func Lives(rec implant.Record) map[string]Life {
	out := map[string]Life{}
	for _, p := range rec.Parts {
		if p.State == implant.NeverImplanted {
			continue
		}
		l := Life{Kind: string(p.Component.Kind), Maker: p.Component.Maker, Model: p.Component.Model, Implanted: p.Implanted, Told: p.Told}
		switch {
		case rec.Person.Died.Known():
			l.Died = rec.Person.Died
		case rec.Person.Deceased:
			l.Flags += DeadUndated
		}
		out[p.ID] = l
	}
	for _, e := range rec.Events {
		for id, l := range out {
			if l.happened(e, id) {
				out[id] = l
			}
		}
	}
	for _, p := range rec.Parts { // reported removed by a status or a history, with no event that names it
		l, ok := out[p.ID]
		if ok && l.Out == "" && (p.State == implant.RemovedWhole || p.State == implant.ReportedRemoved) && !strings.Contains(l.Flags, Undated) {
			l.goneOn(p.Since, WhyDevice)
			out[p.ID] = l
		}
	}
	return out
}

// happened takes an event in; events come in effective time, so that the first of a kind stands.
func (l *Life) happened(e implant.Event, id string) bool {
	out := slices.Contains(e.Out, id)
	again := e.Kind == implant.EventReplaced || e.Kind == implant.EventRevised || e.Kind == implant.EventRepositioned
	switch {
	case out && again, again && slices.Contains(e.Parts, id):
		if e.At == "" {
			l.undated()
		} else if l.Revised == "" {
			l.Revised = e.At
		}
	case !out && !(e.Kind == implant.EventReportedRemoved && slices.Contains(e.Parts, id)):
		return false
	}
	if out || e.Kind == implant.EventReportedRemoved {
		l.goneOn(e.At, why(e.Reasons))
	}
	return true
}

func (l *Life) goneOn(at implant.When, why string) {
	switch {
	case at == "":
		l.undated()
	case l.Out == "":
		l.Out, l.Why = at, why
	}
}

func (l *Life) undated() {
	if !strings.Contains(l.Flags, Undated) {
		l.Flags += Undated
	}
}

func why(reasons []string) string {
	if len(reasons) == 0 || slices.ContainsFunc(reasons, func(r string) bool { return !slices.Contains(elective, r) }) {
		return WhyDevice
	}
	return WhyOther
}

// lifeFields is how many fields the text of a life has.
const lifeFields = 6

// Text writes what the table of parts keeps of a life beside kind, maker, model and day of implantation.
func (l Life) Text() string {
	return strings.Join([]string{string(l.Told), string(l.Revised), string(l.Out), l.Why, string(l.Died), l.Flags}, "|")
}

// Read takes in what Text wrote. "" was never written: an error.
func (l *Life) Read(text string) error {
	var f [lifeFields]string
	if n := strings.Count(text, "|") + 1; n != lifeFields {
		return fmt.Errorf("life of a part: %d fields, want %d", n, lifeFields)
	}
	for i := range f {
		f[i], text, _ = strings.Cut(text, "|")
	}
	l.Told, l.Revised, l.Out, l.Why, l.Died, l.Flags = implant.When(f[0]), implant.When(f[1]), implant.When(f[2]), f[3], implant.When(f[4]), f[5]
	return nil
}
