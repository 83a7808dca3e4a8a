package opnote

import "gaussline/mapping/implant"

// tableHeader is the row of column names of the table being read: the identity field or role of each column.
type tableHeader struct {
	fields []string
}

// cells splits the sentence's items at "|" and tabs; each cell is a range of items [a,b).
func (r *reader) cells() [][2]int {
	var out [][2]int
	a := 0
	for k := range r.items {
		switch {
		case r.mark(k) == '|':
			out = append(out, [2]int{a, k})
			a = k + 1
		case k > a && r.toksGap(k)&gapTab != 0:
			out = append(out, [2]int{a, k})
			a = k
		}
	}
	return append(out, [2]int{a, len(r.items)})
}

// tableRow reads the sentence as a row: it remembers a header, and under one it hangs the identifiers of a row on
// the row's part. It gives the identity of the row.
func (r *reader) tableRow(s sentence) identity {
	if !s.row {
		r.header.fields = nil
		return identity{}
	}
	cells := r.cells()
	var fields []string
	labels := 0
	for _, c := range cells {
		f := ""
		if c[1] > c[0] && (c[1]-c[0] <= 2 || c[1]-c[0] == 3 && r.mark(c[0]+1) == '/') { // "Serial / lot"
			if e := r.at(c[0]).as(classIdent); e != nil {
				f = e.value
				labels++
			}
		}
		fields = append(fields, f)
	}
	if labels >= 1 && labels*2 >= len(cells)-2 && r.noDigits() {
		r.header.fields = fields
		return identity{}
	}
	var id identity
	if len(r.header.fields) == 0 {
		return id
	}
	for i, c := range cells {
		if i >= len(r.header.fields) || r.header.fields[i] == "" || c[0] >= c[1] {
			continue
		}
		r.cellIdent(&id, r.header.fields[i], c)
	}
	return id
}

// noDigits says whether the sentence holds no number: a header row.
func (r *reader) noDigits() bool {
	for k := range r.items {
		if r.itemKind(k) == tokNumber {
			return false
		}
	}
	return true
}

// cellIdent reads one cell as the field of its column.
func (r *reader) cellIdent(id *identity, field string, c [2]int) {
	switch field {
	case "expiry", "made":
		if d, ok := r.dateAt(int(r.items[c[0]].first), int(r.items[c[1]-1].last)+1); ok {
			if at := r.complete(d); field == "expiry" {
				id.expiry = at
			} else {
				id.made = at
			}
		}
		return
	case "maker":
		id.maker = r.text[r.toks[r.items[c[0]].first].start:r.toks[r.items[c[1]-1].last].end]
		return
	}
	if r.at(c[0]).is(classIdent) {
		return // it has a label of its own
	}
	text, last := r.joinedText(c[0], c[1])
	if !r.hasDigit(c[0]) && c[1]-c[0] < 2 || len(text) > maxIdent {
		return
	}
	for k := c[0]; k <= last; k++ {
		r.items[k].celled = true
	}
	switch field {
	case "model":
		id.model = text
	case "serial":
		id.serial = text
	case "lot":
		id.lot = text
	}
}

// rowParts gives a row's identity to its first part.
func (r *reader) rowParts(id identity) {
	if id.empty() || len(r.ments) == 0 {
		return
	}
	m := &r.ments[0]
	fresh := id
	fresh.merge(m.id)
	m.id = fresh
	if id.model != "" {
		r.models[lowerASCII(id.model)] = m.kind
	}
}

// unticked masks the words of boxes that are not ticked: "[ ] Revision [x] Permanent implant".
func (r *reader) unticked() {
	if !r.boxes {
		return
	}
	off := false
	for k := range r.items {
		if k > 0 && r.toksGap(k)&(gapLine|gapBlank) != 0 {
			off = false
		}
		if r.mark(k) == '[' {
			off = r.mark(k+1) == ']'
		}
		if off {
			r.items[k].mask = 0
		}
	}
}

// aside adds a finding over the words of an attribute that stand away from their part: where it is, or which one.
func (r *reader) aside(m *mention, kind implant.FactKind, a, b int, site implant.Site, id identity) {
	if m.kind == "" || r.owner[a] >= 0 {
		return
	}
	of := -1
	for i := range r.ments {
		if &r.ments[i] == m {
			of = i
		}
	}
	r.asides = append(r.asides, asideNote{of, m.kind, kind, r.items[a].first, r.items[b].last, site, id, m.old, m.new})
}

type asideNote struct {
	of         int // mention it is told of
	part       implant.Kind
	kind       implant.FactKind
	tok0, tok1 int32
	site       implant.Site
	id         identity
	old, new   bool
}

// emitAsides turns them into drafts.
func (r *reader) emitAsides(sc *sentScope) {
	if sc.other != "" || sc.base != ScopeCurrent && sc.base != ScopeHistory {
		return
	}
	for _, a := range r.asides {
		d := draft{tok0: a.tok0, tok1: a.tok1, sent: r.sentNo, old: a.old, new: a.new}
		d.Kind, d.Scope, d.Why = a.kind, sc.base, "told of a part in the same sentence"
		id := a.id
		if a.of >= 0 && a.kind == implant.Described && r.ments[a.of].id.agrees(id) {
			id.merge(r.ments[a.of].id)
		}
		d.Component = id.component()
		d.Component.Kind = a.part
		d.Site = a.site
		r.keep(d)
	}
}

// component gives the identity as a component.
func (id identity) component() implant.Component {
	return implant.Component{Maker: id.maker, Model: id.model, Serial: id.serial, Lot: id.lot, DI: id.di, UDI: id.udi, Expiry: id.expiry, Made: id.made}
}

// rowSerial reads a second number that looks like a model, in a row whose part has a model already, as its serial.
func (r *reader) rowSerial(m *mention, sp identSpan) identSpan {
	if !r.row || sp.field != "model" || m.id.model == "" || m.id.model == sp.id.model || m.id.serial != "" {
		return sp
	}
	sp.field, sp.id = "serial", identity{serial: sp.id.model}
	return sp
}

// rowStays reads a cell that says that the part that heads the row is in place: "in situ", "one in situ".
func (r *reader) rowStays(s sentence, sc *sentScope, from int) {
	if !s.row || r.topic < 0 || sc.other != "" || sc.base != ScopeCurrent && sc.base != ScopeHistory {
		return
	}
	for k := r.ments[r.topic].last + 1; k < len(r.items); k++ {
		if w := r.itemText(k); w != "in situ" && w != "in place" || r.inMention(k) || r.at(k-1).isAny(classNeg, classNegdet, classAct) {
			continue
		}
		m := r.ments[r.topic]
		one := false
		if e := r.at(k - 1).as(classNum); e != nil && e.value == "1" && m.count > 1 {
			m.count, m.plural, one = 1, false, true
		}
		if !one && r.toldHere(from) {
			return
		}
		d := r.draftOf(s, &m, implant.LeftInPlace, r.items[k].first, r.items[k].last)
		d.tok0, d.Scope, d.act, d.Why = r.items[k].first, r.documentScope(), "leave", "a cell of its row: "+r.itemText(k)
		if d.Scope == ScopeHistory {
			d.Kind = implant.PresentByWord
		}
		r.keep(d)
		return
	}
}
