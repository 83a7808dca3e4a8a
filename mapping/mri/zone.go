package mri

import (
	"cmp"
	"slices"
	"time"

	"gaussline/mapping/implant"
)

// Zone is a stretch of the body in which one condition set keeps the isocentre out. It is drawn for a reader; a verdict
// never rests on it. A set applies only with all of its other conditions, and where no zone is, nothing is permitted.
type Zone struct {
	Set     string `json:"set"` // "document/system#set"
	Span    Span   `json:"span"`
	Words   string `json:"words,omitempty"` // the label's sentence
	Edition string `json:"edition,omitempty"`
}

// Zones gives the zones of every condition set whose label names something in the body, by set, from head to foot: what
// a set excludes, and what is left outside of all that it permits.
func Zones(rec implant.Record, labels []Labelling, asOf time.Time) (out []Zone) {
	d := newDecision(Exam{}, Policy{}, asOf)
	d.takeLabels(labels)
	d.takeParts(rec.Parts)
	d.judgeParts()
	d.makeUnits(rec.Events)
	for i := range d.units {
		for j := range d.units[i].alts {
			if s := d.units[i].alts[j].set; s != nil && s.Region != nil {
				out = append(out, zonesOf(s)...)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Zone) int {
		x, _ := landmark(a.Span.From)
		y, _ := landmark(b.Span.From)
		return cmp.Or(cmp.Compare(a.Set, b.Set), cmp.Compare(x, y), cmp.Compare(a.Span.To, b.Span.To))
	})
	return slices.Compact(out)
}

func zonesOf(s *set) (out []Zone) {
	bars := slices.Clone(s.exclude)
	if len(s.permit) > 0 && len(s.Region.Regions) == 0 { // with named regions beside it, outside of Permit is not barred
		bars = append(bars, outside(s.permit)...)
	}
	for _, b := range bars {
		if b.ok {
			out = append(out, Zone{Set: s.ref, Span: Span{landmarkNames[b.from], landmarkNames[b.to]}, Words: s.Words[ElementRegion], Edition: s.doc.Edition})
		}
	}
	return out
}

// outside gives the stretches between and around others.
func outside(permit []stretch) (out []stretch) {
	from := 0
	for _, p := range slices.SortedFunc(slices.Values(permit), func(a, b stretch) int { return cmp.Compare(a.from, b.from) }) {
		if p.from > from {
			out = append(out, stretch{from, p.from - 1, true})
		}
		from = max(from, p.to+1)
	}
	if last := len(landmarkNames) - 1; from <= last {
		out = append(out, stretch{from, last, true})
	}
	return out
}
