// Package trace says which parts a recall notice is about: surely, perhaps, or surely not, and why. It is asked with
// the identifiers that notices use (device identifier, model, lots, serial numbers, expiry, implant dates) and with
// parts as a record has them.
//
// What does not live here: finding the candidates (adapters/store), reading of carriers (udi), and who may ask.
//
// The classes follow the practice of tracking rules (21 CFR 821.25 and 821.30 say what must be known of a device and a
// patient): a part is excluded only where what is recorded says so; what is not recorded, or is in doubt, excludes
// nothing.
package trace

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// Query is what a notice names. Every list that is given must be met; an empty one means all. Within a list one is
// enough; DIs and Models are one list: both name the product.
type Query struct {
	DIs       []string       `json:"di,omitempty"`     // device identifiers as issued
	Models    []string       `json:"model,omitempty"`  //
	Lots      []Range        `json:"lot,omitempty"`    //
	Serials   []Range        `json:"serial,omitempty"` //
	Kinds     []implant.Kind `json:"kind,omitempty"`   //
	Expiry    Window         `json:"expiry,omitzero"`  //
	Implanted Window         `json:"implanted,omitzero"`
}

// Range is one value, or the values from From to To, both included. A range orders values only where prefix and
// number of digits are the same (L0098 to L0112).
type Range struct {
	From string `json:"from"`
	To   string `json:"to,omitempty"` // "" a single value
}

// Window is a span of time from the start of From to the end of To; an empty end is open.
type Window struct {
	From implant.When `json:"from,omitempty"`
	To   implant.When `json:"to,omitempty"`
}

// MaxValues bounds each list of a query.
const MaxValues = 1000

// Check says what is wrong with a query.
func (q Query) Check() error {
	if len(q.DIs)+len(q.Models)+len(q.Lots)+len(q.Serials)+len(q.Kinds) == 0 && q.Expiry == (Window{}) && q.Implanted == (Window{}) {
		return errors.New("a trace needs at least one of device identifier, model, lot, serial number, kind, expiry, implant date")
	}
	for name, n := range map[string]int{"device identifiers": len(q.DIs), "models": len(q.Models), "lots": len(q.Lots),
		"serial numbers": len(q.Serials), "kinds": len(q.Kinds)} {
		if n > MaxValues {
			return fmt.Errorf("%d %s, over the limit of %d", n, name, MaxValues)
		}
	}
	for _, k := range q.Kinds {
		if !slices.Contains(implant.Kinds(), k) { // would exclude every part
			return fmt.Errorf("%q is no kind of part: one of %s", k, kindList())
		}
	}
	for _, s := range append(slices.Clone(q.DIs), q.Models...) {
		if Blank(s) {
			return fmt.Errorf("%q names no device", s)
		}
	}
	for _, r := range append(slices.Clone(q.Lots), q.Serials...) {
		if err := r.check(); err != nil {
			return err
		}
		if r.To != "" && len(q.DIs)+len(q.Models) == 0 {
			return errors.New("a range of lots or serial numbers orders those of one product only: name a device identifier or model, too")
		}
	}
	for _, w := range []Window{q.Expiry, q.Implanted} {
		for _, x := range []implant.When{w.From, w.To} {
			if _, _, ok := x.Bounds(); x != "" && !ok {
				return fmt.Errorf("%q is no date", x)
			}
		}
		if w.To.Before(w.From) {
			return fmt.Errorf("the time from %s to %s ends before it begins", w.From, w.To)
		}
	}
	return nil
}

func kindList() string {
	var list []string
	for _, k := range implant.Kinds() {
		list = append(list, string(k))
	}
	return strings.Join(list, ", ")
}

func (r Range) check() error {
	if Blank(r.From) || r.To != "" && Blank(r.To) {
		return fmt.Errorf("%q is no lot or serial number", r.From+r.To)
	}
	if r.To == "" {
		return nil
	}
	from, to := split(r.From), split(r.To)
	if !from.like(to) || from.digits == "" {
		return fmt.Errorf("%s to %s is no range: both ends need the same prefix and the same number of digits", r.From, r.To)
	}
	if to.digits < from.digits {
		return fmt.Errorf("%s to %s is no range: it ends before it begins", r.From, r.To)
	}
	return nil
}

// Class of an answer.
type Class string

// Classes.
const (
	Named    Class = "named"    // every field of the query is recorded and fits
	Possible Class = "possible" // nothing recorded excludes it
	Excluded Class = "excluded" // something recorded does
)

// Field is one field of the query held against one part.
type Field struct {
	Name     string      `json:"name"`     // device, lot, serial, kind, expiry, implanted
	Recorded string      `json:"recorded"` // "" nothing
	Fits     implant.Tri `json:"fits"`
	Why      string      `json:"why,omitempty"` // for maybe
}

// Answer says whether a part is one of those that the query names.
type Answer struct {
	Class  Class   `json:"class"`
	Fields []Field `json:"fields"`
}

// Reasons lists why the answer is not Named, or which fields exclude the part.
func (a Answer) Reasons() (out []string) {
	for _, f := range a.Fields {
		switch {
		case f.Fits == implant.Maybe && a.Class == Possible:
			out = append(out, f.Name+": "+f.Why)
		case f.Fits == implant.No && a.Class == Excluded:
			out = append(out, f.Name+": recorded as "+f.Recorded)
		}
	}
	return out
}
