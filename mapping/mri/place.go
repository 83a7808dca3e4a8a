package mri

import (
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// vagueRegions are region words too general to say that a part is not in a special one.
var vagueRegions = []string{codes.Spine, codes.SpinalCanal, codes.Back, codes.WholeBody}

func inRegions(region string, permitted []string) Truth {
	switch {
	case slices.Contains(permitted, region):
		return Met
	case region == "" || slices.Contains(vagueRegions, region):
		return Unknown
	}
	return NotMet
}

// place judges R6: a part of a combination must be where, and as long as, the label permits.
func (d *decision) place(a *alt, s *system, sl *slot, p *seen) {
	judge := func(element string, t Truth, has string, permitted func() string) {
		if t == Met && !d.pol.Trace {
			return
		}
		label := permitted()
		if t != Met {
			r := d.partReason(p, WhyPlace, s, element, has, label)
			r.Words = sl.Words
			a.fail(r, t)
		}
		d.note(TraceLine{Set: s.ref, Code: ElementPlace + " " + element, Truth: t, Label: label, Edition: s.doc.Edition, Seen: has, Part: p.ID})
	}
	site := &p.Site
	if len(sl.Regions) > 0 {
		judge("region", inRegions(site.Region, sl.Regions), site.Region, func() string { return joined(sl.Regions) })
	}
	if len(sl.Pockets) > 0 {
		pocket := site.Pocket
		if pocket == "" {
			pocket = site.Region
		}
		judge("pocket", inRegions(pocket, sl.Pockets), pocket, func() string { return joined(sl.Pockets) })
	}
	if sl.levels.ok {
		judge("level", inSpan(site.Level, sl.levels), site.Level, sl.Levels.text)
	}
	if sl.tip.ok {
		judge("tip", tipIn(site, sl.tip), cmpOr(site.Tip, site.Level), sl.Tip.text)
	}
	if sl.entry.ok {
		judge("entry", inSpan(site.Entry, sl.entry), site.Entry, sl.Entry.text)
	}
	if len(sl.Sides) > 0 {
		judge("side", inSides(site.Side, sl.Sides), string(site.Side), func() string { return sidesText(sl.Sides) })
	}
	if len(sl.lengths) > 0 {
		d.length(a, s, sl, p)
	}
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (s *Span) text() string { return s.From + " to " + s.To }

func sidesText(sides []implant.Side) string {
	var out []string
	for _, s := range sides {
		out = append(out, string(s))
	}
	return strings.Join(out, ", ")
}

// inSpan: all of the level must lie in the permitted span. A level that cannot be read is not known.
func inSpan(level string, permitted stretch) Truth {
	l := levelStretch(level)
	if !l.ok {
		return Unknown
	}
	return truthOf(l.within(permitted))
}

// tipIn judges the tip; where only the span of the lead is known, the tip is somewhere in it.
func tipIn(site *implant.Site, permitted stretch) Truth {
	if t := levelStretch(site.Tip); t.ok {
		return truthOf(t.within(permitted))
	}
	l := levelStretch(site.Level)
	switch {
	case !l.ok:
		return Unknown
	case l.within(permitted):
		return Met
	case !l.overlaps(permitted):
		return NotMet
	}
	return Unknown
}

func inSides(side implant.Side, permitted []implant.Side) Truth {
	switch side {
	case "":
		return Unknown
	case implant.Bilateral:
		return truthOf(slices.Contains(permitted, implant.Left) && slices.Contains(permitted, implant.Right))
	}
	return truthOf(slices.Contains(permitted, side))
}

// length judges the length of a part whose model comes in several. It is on record only in names and words.
func (d *decision) length(a *alt, s *system, sl *slot, p *seen) {
	has, ok := lengthOf(&p.Component)
	t, text := Unknown, ""
	if ok {
		t, text = truthOf(slices.Contains(sl.lengths, has)), has.String()+" cm"
	}
	if t != Met {
		r := d.partReason(p, WhyLength, s, text, strings.Join(sl.Lengths, ", "))
		a.fail(r, t)
	}
	d.note(TraceLine{Set: s.ref, Code: WhyLength, Truth: t, Label: sl.Words, Edition: s.doc.Edition, Seen: text, Part: p.ID})
}

// lengthOf finds the one length in centimetres that a part's name and words state ("lead, 60 cm"). Two different
// ones are not known.
func lengthOf(c *implant.Component) (Amount, bool) {
	var found Amount
	for _, text := range []string{c.Name, c.Words} {
		words := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == '(' || r == ')' || r == '\u00a0' })
		for i, w := range words {
			w = strings.TrimRight(w, ",.")
			if w == "cm" && i > 0 {
				w = words[i-1] + " cm"
			} else if !strings.HasSuffix(w, "cm") || w == "cm" {
				continue
			}
			q, err := ParseQuantity(w, Length)
			if err != nil || found != 0 && q.Amount != found {
				return 0, false
			}
			found = q.Amount
		}
	}
	return found, found != 0
}
