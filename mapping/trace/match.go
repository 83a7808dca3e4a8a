package trace

import (
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// Part is a part as the tables list it.
type Part struct {
	Component implant.Component
	Implanted implant.When
	// Doubtful says that sources disagree on which device it is: what is recorded then excludes nothing.
	Doubtful bool
}

// Match holds a part against a query.
func (q Query) Match(p Part) Answer {
	a := Answer{Class: Named}
	if len(q.DIs)+len(q.Models) > 0 {
		a.add(q.device(p.Component), p.Doubtful)
	}
	if len(q.Lots) > 0 {
		a.add(number("lot", q.Lots, p.Component.Lot), p.Doubtful)
	}
	if len(q.Serials) > 0 {
		a.add(number("serial", q.Serials, p.Component.Serial), p.Doubtful)
	}
	if len(q.Kinds) > 0 {
		a.add(q.kind(p.Component.Kind), p.Doubtful)
	}
	if q.Expiry != (Window{}) {
		a.add(q.Expiry.field("expiry", p.Component.Expiry), p.Doubtful)
	}
	if q.Implanted != (Window{}) {
		a.add(q.Implanted.field("implanted", p.Implanted), false)
	}
	return a
}

// add takes a field in: the class is the least of all.
func (a *Answer) add(f Field, doubtful bool) {
	if doubtful && f.Fits == implant.No {
		f.Fits, f.Why = implant.Maybe, "sources disagree on which device this is"
	}
	a.Fields = append(a.Fields, f)
	switch {
	case f.Fits == implant.No:
		a.Class = Excluded
	case f.Fits == implant.Maybe && a.Class == Named:
		a.Class = Possible
	}
}

// device holds the product against device identifiers and models. The device identifier decides where it is recorded
// and asked for; one that differs does not exclude a part whose model fits.
func (q Query) device(c implant.Component) Field {
	f := Field{Name: "device", Recorded: strings.TrimSpace(c.DI + " " + c.Model)}
	di, dWhy := one(q.DIs, c.DI, sameDI, "another packaging level of the same product, or written otherwise")
	model, mWhy := one(q.Models, c.Model, func(a, b string) implant.Tri { return written(a, b) }, "model written otherwise")
	known := func(t implant.Tri) bool { return t == implant.Yes || t == implant.No }
	switch {
	case di == implant.Yes || model == implant.Yes && !(len(q.DIs) > 0 && di == implant.No):
		f.Fits = implant.Yes
	case model == implant.Yes:
		f.Fits, f.Why = implant.Maybe, "the model fits and the device identifier does not"
	case di == implant.Maybe && !Blank(c.DI) && len(q.DIs) > 0:
		f.Fits, f.Why = implant.Maybe, dWhy
	case model == implant.Maybe && !Blank(c.Model) && len(q.Models) > 0:
		f.Fits, f.Why = implant.Maybe, mWhy
	case known(di) && len(q.DIs) > 0 || known(model) && len(q.Models) > 0:
		f.Fits = implant.No
	case Blank(c.DI) && Blank(c.Model):
		f.Fits, f.Why = implant.Maybe, "neither device identifier nor model is recorded"
	case len(q.DIs) > 0:
		f.Fits, f.Why = implant.Maybe, "no device identifier is recorded"
	default:
		f.Fits, f.Why = implant.Maybe, "no model is recorded"
	}
	return f
}

// one holds a recorded value against a list: the best fit. A value that is not recorded is maybe.
func one(list []string, recorded string, fits func(a, b string) implant.Tri, why string) (implant.Tri, string) {
	if Blank(recorded) {
		return implant.Maybe, "not recorded"
	}
	best := implant.No
	for _, want := range list {
		switch fits(want, recorded) {
		case implant.Yes:
			return implant.Yes, ""
		case implant.Maybe:
			best = implant.Maybe
		}
	}
	if best == implant.Maybe {
		return best, why
	}
	return best, ""
}

// sameDI compares device identifiers. A GTIN of 8, 12 or 13 digits is the same as one with zeros before it (GS1
// General Specifications, 3.3.2).
func sameDI(want, got string) implant.Tri {
	want, got = strings.TrimSpace(want), strings.TrimSpace(got)
	switch {
	case want == got:
		return implant.Yes
	case allDigits(want) && allDigits(got) && strings.TrimLeft(want, "0") == strings.TrimLeft(got, "0"):
		return implant.Yes
	case sameProduct(want, got), Fold(want) == Fold(got):
		return implant.Maybe
	}
	return implant.No
}

// written compares two values as copied by people: equal is yes, equal but for case, separators and leading zeros is
// maybe.
func written(want, got string) implant.Tri {
	switch {
	case strings.TrimSpace(want) == strings.TrimSpace(got):
		return implant.Yes
	case Fold(want) == Fold(got):
		return implant.Maybe
	}
	return implant.No
}

// number holds a lot or serial number against values and ranges.
func number(name string, list []Range, recorded string) Field {
	f := Field{Name: name, Recorded: recorded, Fits: implant.No}
	if Blank(recorded) {
		f.Fits, f.Why = implant.Maybe, "not recorded"
		return f
	}
	for _, r := range list {
		switch t, why := r.holds(strings.TrimSpace(recorded)); t {
		case implant.Yes:
			f.Fits, f.Why = t, ""
			return f
		case implant.Maybe:
			f.Fits, f.Why = t, why
		}
	}
	return f
}

func (r Range) holds(s string) (implant.Tri, string) {
	if r.To == "" {
		return written(strings.TrimSpace(r.From), s), "written otherwise"
	}
	from, to, n := split(r.From), split(r.To), split(s)
	if from.like(n) {
		if from.digits <= n.digits && n.digits <= to.digits {
			return implant.Yes, ""
		}
		return implant.No, ""
	}
	return implant.Maybe, "written in another way than the range, so that it cannot be ordered"
}

func (q Query) kind(k implant.Kind) Field {
	f := Field{Name: "kind", Recorded: string(k), Fits: implant.No}
	switch {
	case slices.Contains(q.Kinds, k) && k != "":
		f.Fits = implant.Yes
	case k == "" || k == implant.Unidentified || k == implant.OtherActive:
		f.Fits, f.Why = implant.Maybe, "the kind of part is not known"
	}
	return f
}

// field holds a date against a window: yes when every moment it can mean is inside, no when none is.
func (w Window) field(name string, at implant.When) Field {
	f := Field{Name: name, Recorded: string(at)}
	from, to, ok := at.Bounds()
	if !ok {
		f.Fits, f.Why = implant.Maybe, "not recorded"
		return f
	}
	in, out := true, false
	if begin, _, ok := w.From.Bounds(); ok {
		in, out = in && !from.Before(begin), out || !to.After(begin)
	}
	if _, end, ok := w.To.Bounds(); ok {
		in, out = in && !to.After(end), out || !from.Before(end)
	}
	switch {
	case out:
		f.Fits = implant.No
	case in:
		f.Fits = implant.Yes
	default:
		f.Fits, f.Why = implant.Maybe, "the date is not precise enough"
	}
	return f
}
