package v2

import (
	"encoding/base64"
	"regexp"
	"slices"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"
)

var localURI = regexp.MustCompile(`^http://[a-z0-9-]+\.invalid/v2/`)

// request maps one order to a ServiceRequest; key is the id it is filed under.
func (c *converter) request(o order, visit bool) (req obj, key string, f *Fault) {
	status, f := statusOf(o)
	if f != nil {
		return nil, "", f
	}
	if f := c.complete(o, status); f != nil {
		return nil, "", f
	}
	ids, f := c.numbers(o)
	if f != nil {
		return nil, "", f
	}
	key = idOf(ids[0].(obj))
	req = obj{"resourceType": "ServiceRequest", "id": key, "identifier": ids, "status": status, "intent": "order",
		"subject": obj{"reference": c.urn("Patient")}}
	if visit {
		req["encounter"] = obj{"reference": c.urn("Encounter")}
	}
	if group := c.orderID(o.orc.Field(4), "PGN"); len(group) > 0 {
		req["requisition"] = group
	}
	c.what(req, o)
	c.whenAndWho(req, o)
	c.why(req, o)
	req.put("note", c.notes(o))
	return req, key, nil
}

// statusOf reads ORC-1 and, where that leaves it to it, ORC-5.
func statusOf(o order) (string, *Fault) {
	control := o.orc.Field(1).Value()
	if control == "" {
		return "", o.orc.fault(codeMissing, 1, "the order control code is missing")
	}
	status, ok := ofControl[control]
	if !ok {
		return "", o.orc.fault(codeTable, 1, "this order control code states no order; what was stated before stands")
	}
	said := o.orc.Field(5).Value()
	if said == "" || !byStatus[control] {
		return status, nil
	}
	if status, ok = ofStatus[said]; !ok {
		return "", o.orc.fault(codeTable, 5, "this order status is not in table 0038")
	}
	return status, nil
}

// complete refuses an order that may be carried out but does not say what it is for: the examination decides.
func (c *converter) complete(o order, status string) *Fault {
	switch {
	case status == revoked || status == "completed":
		return nil
	case !o.hasOBR:
		return &Fault{Code: codeSequence, Segment: "OBR", Seq: o.orc.Seq, Text: "the order has no OBR"}
	case o.obr.Field(4).Empty():
		return o.obr.fault(codeMissing, 4, "the examination is missing")
	}
	return nil
}

// numbers are the identifiers of an order: the placer's, else the filler's, comes first, since it stays the same
// over all messages about the order.
func (c *converter) numbers(o order) ([]any, *Fault) {
	var ids []any
	for i, kind := range []string{"PLAC", "FILL"} {
		n := 2 + i
		a, b := o.orc.Field(n), o.obr.Field(n)
		if !a.Empty() && !b.Empty() && a.Comp(1).Text() != b.Comp(1).Text() {
			return nil, o.obr.fault(codeUnknownKey, n, "the order numbers in ORC and OBR differ")
		}
		if a.Empty() {
			a = b
		}
		ids = add(ids, c.orderID(a, kind))
	}
	if len(ids) == 0 {
		return nil, o.orc.fault(codeMissing, 2, "the order has no placer or filler number")
	}
	for _, s := range o.ipc {
		if id := c.orderID(s.Field(1), "ACSN"); len(id) > 0 {
			return append(ids, id), nil // all steps of one order have one accession number
		}
	}
	return ids, nil
}

// what is the examination: code, further codes, section, modality, body site.
func (c *converter) what(req obj, o order) {
	req.put("code", c.concept(o.obr.Field(4)))
	var more []any
	var modalities []Field
	if section := o.obr.Field(24).Value(); section != "" {
		switch {
		case isSection(section):
			req["category"] = []any{obj{"coding": []any{obj{"system": v2Section, "code": section}}}}
		case isModality(section): // common practice, no source: the DICOM modality in OBR-24
			modalities = append(modalities, o.obr.Field(24))
		default:
			more = append(more, obj{"text": section})
		}
	}
	for _, s := range o.ipc {
		modalities = append(modalities, s.Field(5))
		more = add(more, c.concept(s.Field(6)))
	}
	for _, f := range modalities {
		if code := f.Value(); isModality(code) {
			more = append(more, obj{"coding": []any{obj{"system": dicom, "code": strings.ToUpper(code)}}})
		} else {
			more = add(more, c.concept(f))
		}
	}
	for _, f := range o.obr.Field(44).Reps() {
		more = add(more, c.concept(f))
	}
	if req["code"] == nil && len(more) > 0 { // FHIR's rule prr-1: no order detail without a code
		req["code"] = more[0]
		more = more[1:]
	}
	req.put("orderDetail", more)
	if site := c.concept(Field{o.obr.Field(15).Comp(4).subsAsComps(), c.m}); len(site) > 0 {
		req["bodySite"] = []any{site}
	}
}

func isSection(code string) bool {
	_, ok := codes.ModalityOf(implant.Code{System: v2Section, Code: code})
	return ok || code == "OTH" || code == "PHY" || code == "CTH"
}

func isModality(code string) bool {
	_, ok := codes.ModalityOf(implant.Code{System: dicom, Code: code})
	return ok
}

// whenAndWho are times, priority, who ordered and whom the order goes to.
func (c *converter) whenAndWho(req obj, o order) {
	timing := o.obr.Field(27)
	if timing.Empty() {
		timing = o.orc.Field(7)
	}
	for _, f := range []Field{o.tq1.Field(9), timing.Comp(6), o.obr.Field(5)} {
		code := strings.ToUpper(f.Value())
		if p := ofPriority[code]; p != "" {
			req["priority"] = p
			break
		}
	}
	for _, f := range []Field{o.tq1.Field(7), o.obr.Field(36), timing.Comp(4)} {
		if t := c.dateTime(f); t != "" {
			req["occurrenceDateTime"] = t
			break
		}
	}
	if o.orc.Field(1).Value() == "NW" {
		req.put("authoredOn", c.dateTime(o.orc.Field(9)))
	}
	who := c.provider(o.orc.Field(12))
	if len(who) == 0 {
		who = c.provider(o.obr.Field(16))
	}
	req.put("requester", who)
	to := joinWords(c.g.msh.Field(6).Comp(1), c.g.msh.Field(5).Comp(1))
	if to != "" {
		req["performer"] = []any{obj{"display": to}}
	}
	var places []any
	for _, s := range o.ipc {
		places = add(places, c.concept(s.Field(8)))
	}
	req.put("locationCode", places)
}

// why are the reasons and what the referrer adds for the radiologist.
func (c *converter) why(req obj, o order) {
	var reasons []any
	for _, f := range o.obr.Field(31).Reps() {
		r := c.concept(f)
		if f.Comp(2).Empty() && f.Comp(3).Empty() { // words in the place of the code
			r = obj{}.put("text", f.Text())
		}
		reasons = add(reasons, r)
	}
	for _, s := range o.details {
		if s.Name == "DG1" {
			r := c.concept(s.Field(3))
			if r["text"] == nil {
				r.put("text", s.Field(4).Text())
			}
			reasons = add(reasons, r)
		}
	}
	req.put("reasonCode", reasons)
	if info := texts(o.obr.Field(13)); info != "" {
		req["extension"] = []any{obj{"url": supportingInfo, "extension": []any{
			obj{"url": "concept", "valueCodeableConcept": obj{"text": info}}}}}
	}
}

// notes are the words around the order. Danger code, observations and contraindications are said with the name
// of their field, since a bare "Y" says nothing.
func (c *converter) notes(o order) []any {
	var out []any
	note := func(text string) { out = add(out, obj{}.put("text", text)) }
	for _, s := range append(append([]Segment{}, c.g.about...), withoutOurs(o.details)...) {
		switch s.Name {
		case "NTE":
			note(texts(s.Field(3)))
		case "OBX":
			note(observed(s))
		case "AL1":
			if kind := s.Field(2).Value(); kind == "MC" || kind == "" {
				if what := joinWords(s.Field(3).Comp(2), s.Field(5)); what != "" {
					note("Contraindication (AL1): " + what)
				} else {
					note("Contraindication (AL1): " + s.Field(3).Text())
				}
			}
		}
	}
	if d := o.obr.Field(12); !d.Empty() {
		note("Danger code (OBR-12): " + strings.TrimSpace(d.Comp(2).Text()+" "+d.Comp(1).Text()))
	}
	return out
}

// observed says an observation in words: "name: value unit"; "" when it has no value.
func observed(s Segment) string {
	what := s.Field(3).Comp(2).Text()
	if what == "" {
		what = s.Field(3).Comp(1).Text()
	}
	var values []string
	for _, v := range s.Field(5).Reps() {
		text := v.Text()
		switch s.Field(2).Value() {
		case "CE", "CWE", "CNE", "CF":
			if text = v.Comp(2).Text(); text == "" {
				text = v.Comp(1).Text()
			}
		case "ED", "RP": // a document: its bytes are with the received message
			text = "(a document was sent)"
		}
		values = append(values, strings.TrimSpace(text+" "+s.Field(6).Comp(1).Text()))
	}
	if len(values) == 0 {
		return ""
	}
	return strings.TrimPrefix(what+": ", ": ") + strings.Join(values, "; ")
}

// said keeps words around the order that speak of a device as a document of their own. In version 2 a field that is
// empty in a later message is unchanged, not taken back, and a cancellation seldom repeats anything; as part of the order
// alone, what a referrer once said of a device in the body would be gone with the next message. The id is that of the
// words. Words in which nothing is found leave nothing behind to lose, and a document of them would only ask for a
// reader; the same goes for a bare denial, which takes nothing off the record.
func (c *converter) said(o order, key, urn string) obj {
	var words []string
	for _, f := range o.obr.Field(31).Reps() {
		if f.Comp(3).Empty() {
			words = append(words, texts(f))
		}
	}
	if info := texts(o.obr.Field(13)); info != "" {
		words = append(words, info)
	}
	for _, n := range c.notes(o) {
		words = append(words, n.(obj)["text"].(string))
	}
	text := strings.Join(words, "\n\n")
	if !tellsOfADevice(text) {
		return nil
	}
	doc := obj{"resourceType": "DocumentReference", "id": hashOf([]byte(key + "\x00" + text))[:32], "status": "current", "docStatus": "preliminary",
		"type": obj{"text": "Referral note"}, "subject": obj{"reference": c.urn("Patient")}, "context": obj{"related": []any{obj{"reference": urn}}},
		"content": []any{obj{"attachment": obj{"contentType": "text/plain; charset=utf-8", "data": base64.StdEncoding.EncodeToString([]byte(text))}}}}
	return doc.put("date", c.timestamp())
}

func tellsOfADevice(text string) bool {
	reading := opnote.Read(opnote.Note{Text: text, Type: opnote.TypeUnknown})
	return len(reading.Questions) > 0 || slices.ContainsFunc(reading.Findings, func(f opnote.Finding) bool { return f.Kind != implant.DeniedPresence })
}

func joinWords(fs ...Field) string {
	var out []string
	for _, f := range fs {
		if t := f.Text(); t != "" {
			out = append(out, t)
		}
	}
	return strings.Join(out, " ")
}

// subsAsComps turns the sub-components of a nested coded element into components, so that it reads like one.
func (f Field) subsAsComps() string {
	d := f.m.delim()
	if d.Sub == 0 {
		return f.raw
	}
	return strings.ReplaceAll(f.raw, string(rune(d.Sub)), string(rune(d.Comp)))
}
