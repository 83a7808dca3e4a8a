package history

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// joinRefs makes one part of all Device keys that are one object: the same key, a source that says so, or the
// same model or device identifier with the same serial number.
func (f *fold) joinRefs() {
	u := newUnion()
	byToken := map[string]string{}
	twice := f.sharedSerials()
	for _, it := range f.items {
		ref := it.Component.Ref
		if ref == "" {
			continue
		}
		u.add(ref)
		if it.Component.Same != "" {
			u.join(ref, it.Component.Same)
		}
		for _, t := range serialTokens(it.Component) {
			if twice[t] {
				continue
			}
			if other, ok := byToken[t]; ok {
				u.join(ref, other)
			} else {
				byToken[t] = ref
			}
		}
	}
	for _, group := range u.groups() {
		p := &part{}
		p.Refs = group
		for _, r := range group {
			f.byRef[r] = p
		}
		f.parts = append(f.parts, p)
	}
	for _, it := range f.items {
		if p := f.byRef[it.Component.Ref]; p != nil {
			p.told = append(p.told, it)
		}
	}
	for _, p := range f.parts {
		f.identify(p)
		p.place() // before words are laid beside it: a note about the right lead is not about the left one
	}
	f.askSharedSerials(twice)
}

// sharedSerials finds the serial numbers that one source puts in on two Devices: a copying slip or a placeholder,
// which must not make two parts one.
func (f *fold) sharedSerials() map[string]bool {
	tokens := map[string][]string{} // of each Device
	for _, it := range f.items {
		if it.Component.Ref != "" {
			tokens[it.Component.Ref] = append(tokens[it.Component.Ref], serialTokens(it.Component)...)
		}
	}
	type place struct{ source, token string }
	on := map[place]string{}
	twice := map[string]bool{}
	for _, it := range f.items {
		if it.Kind != implant.Implanted || it.Component.Ref == "" {
			continue
		}
		for _, t := range tokens[it.Component.Ref] {
			at := place{it.st.Key, t}
			if on[at] == "" {
				on[at] = it.Component.Ref
			}
			twice[t] = twice[t] || on[at] != it.Component.Ref
		}
	}
	return twice
}

// askSharedSerials asks whose a serial number is that stands on several parts put in together.
func (f *fold) askSharedSerials(twice map[string]bool) {
	for _, p := range f.parts {
		for _, t := range serialTokens(p.Component) {
			if twice[t] {
				f.ask(implant.AskIdentityConflict, "serial on several parts: "+p.Component.Serial, []*part{p}, firstSource(p)...)
				break
			}
		}
	}
}

// noSerial are the words written where no serial number is known, folded and without the marks and zeros around
// them. Common practice, no source.
var noSerial = map[string]bool{"": true, "NA": true, "N/A": true, "NONE": true, "NIL": true, "NULL": true, "UNK": true,
	"UNKNOWN": true, "NOTKNOWN": true, "NOTAVAILABLE": true, "NOTAPPLICABLE": true, "NOTRECORDED": true, "PENDING": true,
	"TBD": true, "TEST": true, "SEELABEL": true, "SEENOTE": true, "ILLEGIBLE": true, "MISSING": true}

// serialTokens gives what identifies a single object: never a lot, which many share.
func serialTokens(c implant.Component) []string {
	if noSerial[strings.Trim(fold1(c.Serial), ".-/_?*0X")] {
		return nil
	}
	var ts []string
	if c.DI != "" {
		ts = append(ts, "di|"+c.DI+"|"+fold1(c.Serial))
	}
	if c.Model != "" {
		ts = append(ts, "model|"+fold1(c.Model)+"|"+fold1(c.Serial))
	}
	return ts
}

// fold1 takes case and blanks out of an identifier for comparison.
func fold1(s string) string { return strings.ToUpper(strings.Join(strings.Fields(s), "")) }

// identify settles what the part is from all that describes it; what disagrees becomes a question.
func (f *fold) identify(p *part) {
	p.ID = "part-" + shortHash(p.Refs...)
	fields := []struct {
		name string
		get  func(*implant.Component) *string
	}{
		{"maker", func(c *implant.Component) *string { return &c.Maker }},
		{"model", func(c *implant.Component) *string { return &c.Model }},
		{"name", func(c *implant.Component) *string { return &c.Name }},
		{"serial", func(c *implant.Component) *string { return &c.Serial }},
		{"lot", func(c *implant.Component) *string { return &c.Lot }},
		{"device identifier", func(c *implant.Component) *string { return &c.DI }},
		{"UDI", func(c *implant.Component) *string { return &c.UDI }},
		{"expiry", func(c *implant.Component) *string { return (*string)(&c.Expiry) }},
		{"manufacture", func(c *implant.Component) *string { return (*string)(&c.Made) }},
		{"words", func(c *implant.Component) *string { return &c.Words }},
		{"parent", func(c *implant.Component) *string { return &c.Parent }},
	}
	for _, fl := range fields {
		values, sources := f.stated(p, fl.get)
		if len(values) == 0 {
			continue
		}
		*fl.get(&p.Component) = values[0]
		if len(values) > 1 && identifying(fl.name) {
			f.ask(implant.AskIdentityConflict, fl.name+": "+strings.Join(values, " / "), []*part{p}, sources...)
		}
	}
	p.Component.Kind = f.kindOf(p)
	p.Component.Ref = ""
	if len(p.Refs) > 0 {
		p.Component.Ref = p.Refs[0]
	}
}

func identifying(field string) bool {
	switch field {
	case "model", "serial", "lot", "device identifier":
		return true
	}
	return false
}

// stated lists the different values of a field, those a person reviewed first, then coded, then read; within
// one basis in order of value, so that the choice does not depend on arrival.
func (f *fold) stated(p *part, get func(*implant.Component) *string) (values []string, sources []implant.Source) {
	for _, basis := range []implant.Basis{implant.Reviewed, implant.Coded, implant.Read} {
		var here []string
		for i := range p.told {
			it := &p.told[i]
			v := *get(&it.Component)
			if it.Basis != basis || v == "" {
				continue
			}
			if !containsFold(values, v) && !containsFold(here, v) {
				here = append(here, v)
				sources = append(sources, it.Source)
			}
		}
		slices.Sort(here)
		values = append(values, here...)
		if basis == implant.Reviewed && len(values) > 0 {
			return values[:1], sources
		}
	}
	return values, sources
}

func containsFold(vs []string, v string) bool {
	return slices.ContainsFunc(vs, func(x string) bool { return fold1(x) == fold1(v) })
}

// kindOf takes the one kind that sources agree on; several become a question and the part stays unidentified.
func (f *fold) kindOf(p *part) implant.Kind {
	var kinds []implant.Kind
	var src []implant.Source
	for _, it := range p.told {
		k := it.Component.Kind
		if k != "" && k != implant.Unidentified && !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
			src = append(src, it.Source)
		}
	}
	switch len(kinds) {
	case 0:
		return implant.Unidentified
	case 1:
		return kinds[0]
	}
	slices.Sort(kinds)
	f.ask(implant.AskIdentityConflict, "kind: "+string(kinds[0])+" / "+string(kinds[1]), []*part{p}, src...)
	return implant.Unidentified
}

func shortHash(parts ...string) string {
	h := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return hex.EncodeToString(h[:6])
}

// union is a disjoint-set forest on strings whose groups do not depend on the order of joins.
type union struct{ up map[string]string }

func newUnion() *union { return &union{up: map[string]string{}} }

func (u *union) add(a string) {
	if _, ok := u.up[a]; !ok {
		u.up[a] = a
	}
}

func (u *union) root(a string) string {
	u.add(a)
	for u.up[a] != a {
		u.up[a] = u.up[u.up[a]]
		a = u.up[a]
	}
	return a
}

// join puts the lesser root on top, so that the root is the least member.
func (u *union) join(a, b string) {
	ra, rb := u.root(a), u.root(b)
	if rb < ra {
		ra, rb = rb, ra
	}
	u.up[rb] = ra
}

// groups lists the sets, each sorted, in order of their least member.
func (u *union) groups() [][]string {
	by := map[string][]string{}
	for a := range u.up {
		r := u.root(a)
		by[r] = append(by[r], a)
	}
	out := make([][]string, 0, len(by))
	for _, g := range by {
		slices.Sort(g)
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b []string) int { return strings.Compare(a[0], b[0]) })
	return out
}
