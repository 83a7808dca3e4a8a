package mri

import (
	"cmp"
	"slices"
	"time"

	"gaussline/mapping/implant"
)

// stale says whether a document can no longer be relied on: withdrawn, never reviewed, reviewed after the moment
// of the decision, or longer ago than the site's interval (R18).
func (d *decision) stale(doc *Document) bool {
	return doc.Withdrawn || !doc.isReviewed || doc.reviewed.After(d.asOf) || d.asOf.Sub(doc.reviewed) > d.pol.ReviewInterval
}

// use remembers that the verdict rests on a document.
func (d *decision) use(doc *Document) {
	if !slices.Contains(d.docs, doc) {
		d.docs = append(d.docs, doc)
	}
}

func (d *decision) labelRefs() []LabelRef {
	if len(d.docs) == 0 {
		return nil
	}
	out := make([]LabelRef, len(d.docs))
	for i, doc := range d.docs {
		out[i] = LabelRef{Document: doc.ID, Title: doc.Title, Edition: doc.Edition, Issued: doc.Issued, Reviewed: doc.Reviewed, Stale: d.stale(doc)}
	}
	slices.SortFunc(out, func(a, b LabelRef) int {
		return cmp.Or(cmp.Compare(a.Document, b.Document), cmp.Compare(a.Edition, b.Edition), cmp.Compare(a.Issued, b.Issued), cmp.Compare(a.Reviewed, b.Reviewed))
	})
	return out
}

// dueBefore says whether a document relied on, good now, turns stale before t.
func (d *decision) dueBefore(t time.Time) bool {
	return slices.ContainsFunc(d.docs, func(doc *Document) bool {
		return !d.stale(doc) && t.Sub(doc.reviewed) > d.pol.ReviewInterval
	})
}

// edition says how a label stands to others of the same ID in other files: Met when it is the newest, NotMet when
// a newer one replaces it, Unknown when their dates do not tell.
func edition(own *Document, others []*Document) Truth {
	t := Met
	for _, o := range others {
		switch {
		case o == own:
		case own.Issued.Before(o.Issued):
			return NotMet
		case !o.Issued.Before(own.Issued):
			t = Unknown
		}
	}
	return t
}

func (d *decision) systemEdition(s *system) Truth {
	if len(d.labels) == 1 {
		return Met
	}
	var docs []*Document
	for _, l := range d.labels {
		if o := l.systems[s.ID]; o != nil {
			docs = append(docs, o.doc)
		}
	}
	return edition(s.doc, docs)
}

func (d *decision) compEdition(c *comp) Truth {
	if len(d.labels) == 1 {
		return Met
	}
	var docs []*Document
	for _, l := range d.labels {
		if o := l.comps[c.ID]; o != nil {
			docs = append(docs, o.doc)
		}
	}
	return edition(c.doc, docs)
}

// identify finds the labels' entries of a part. Maker and model name it, or a device identifier that a label
// lists; where both are there they must agree (R16: never assume).
func (d *decision) identify(p *seen) {
	c := &p.Component
	p.key = modelKey{d.foldMaker(c.Maker), fold(c.Model)}
	switch {
	case !knownKind(c.Kind):
		d.unidentified(p, "kind")
	case p.key.maker != "" && p.key.model != "":
		p.known = Met
		p.entries = d.lookup(func(l *index) []entry { return l.models[p.key] })
	case c.DI != "":
		p.entries = d.lookup(func(l *index) []entry { return l.dis[c.DI] })
		if len(p.entries) == 0 {
			d.unidentified(p, "model")
			return
		}
		p.known = Met
	case p.key.model == "":
		d.unidentified(p, "model")
	default:
		d.unidentified(p, "maker")
	}
	for _, e := range p.entries {
		if !agrees(p, e) {
			p.known = Unknown
			d.stop(Reason{Code: WhyIdentityConflict, Truth: Unknown, Part: p.ID, Args: []string{c.Model, c.DI}, Evidence: p.Evidence})
			return
		}
	}
}

// foldMaker is fold, once for parts of one maker in a row.
func (d *decision) foldMaker(s string) string {
	if s != d.maker.stated || s == "" {
		d.maker.stated, d.maker.folded = s, fold(s)
	}
	return d.maker.folded
}

func (d *decision) unidentified(p *seen, what string) {
	d.stop(Reason{Code: WhyUnidentified, Truth: Unknown, Part: p.ID, Args: []string{what}, Evidence: p.Evidence})
}

func (d *decision) lookup(get func(*index) []entry) []entry {
	var out []entry
	for _, l := range d.labels {
		switch found := get(l); {
		case len(found) == 0:
		case out == nil:
			out = slices.Clip(found)
		default:
			out = append(out, found...)
		}
	}
	return out
}

// agrees says whether what the record states of a part's identity fits a label's entry.
func agrees(p *seen, e entry) bool {
	keys, dis := e.identity()
	if p.Component.DI != "" && len(dis) > 0 && !slices.Contains(dis, p.Component.DI) {
		return false
	}
	return slices.ContainsFunc(keys, func(k modelKey) bool {
		return (p.key.maker == "" || p.key.maker == k.maker) && (p.key.model == "" || p.key.model == k.model)
	})
}

func (e entry) identity() ([]modelKey, []string) {
	if e.comp != nil {
		return e.comp.keys, e.comp.DIs
	}
	return e.system.slots[e.slot].keys, e.system.slots[e.slot].DIs
}

func (e entry) kind() implant.Kind {
	if e.comp != nil {
		return e.comp.Kind
	}
	return e.system.slots[e.slot].Kind
}
