package v2

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"
)

// converter turns one message into a Bundle. It is a function of the message and the configuration alone.
type converter struct {
	cfg *Config
	raw []byte
	m   *Message
	g   groups
}

// Convert maps a parsed message, received as raw, to a FHIR R4 message Bundle.
func (cfg *Config) Convert(m *Message, raw []byte) ([]byte, *Fault) {
	g, f := group(m)
	if f != nil {
		return nil, f
	}
	c := &converter{cfg: cfg, raw: raw, m: m, g: g}
	patient, f := c.patient()
	if f != nil {
		return nil, f
	}
	entries := []any{nil, entry(c.urn("Patient"), patient)}
	visit := c.visit()
	if len(visit) > 0 {
		entries = append(entries, entry(c.urn("Encounter"), visit))
	}
	var focus []any
	seen := map[string]bool{}
	for i, o := range g.orders {
		req, key, f := c.request(o, len(visit) > 0)
		if f != nil {
			return nil, f
		}
		if seen[key] {
			return nil, o.orc.fault(codeDuplicate, 2, "two orders of this message have one number; give each its own")
		}
		seen[key] = true
		urn := c.urn(fmt.Sprintf("ServiceRequest/%d", i))
		entries = append(entries, entry(urn, req))
		if doc := c.said(o, key, urn); len(doc) > 0 {
			entries = append(entries, entry(c.urn(fmt.Sprintf("DocumentReference/%d", i)), doc))
		}
		focus = append(focus, obj{"reference": urn})
	}
	entries = append(entries, entry(c.urn("Binary"), obj{"resourceType": "Binary", "contentType": er7,
		"data": base64.StdEncoding.EncodeToString(raw)}))
	entries[0] = entry(c.urn("MessageHeader"), c.header(focus))
	bundle := obj{"resourceType": "Bundle", "type": "message", "entry": entries}
	bundle.put("timestamp", c.timestamp())
	bundle.put("identifier", obj{}.put("system", c.local("control-id")).put("value", g.msh.Field(10).Value()))
	out, err := json.Marshal(bundle)
	if err != nil {
		return nil, &Fault{Code: codeInternal, Text: "the message cannot be written as FHIR"}
	}
	return out, nil
}

// timestamp is MSH-7 as an instant, "" where it is not one.
func (c *converter) timestamp() string {
	t, ok := parseTime(c.g.msh.Field(7).Value(), c.cfg.location())
	if !ok || t.precision < 12 {
		return ""
	}
	return t.at.Format(time.RFC3339Nano)
}

func entry(urn string, res obj) obj { return obj{"fullUrl": urn, "resource": res} }

// urn names a resource of the Bundle: a UUID made of the message's bytes, so that the same message gives the same.
func (c *converter) urn(what string) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\x00%s\x00", c.cfg.Sender, what)
	h.Write(c.raw)
	b := h.Sum(nil)[:16]
	b[6], b[8] = b[6]&0x0f|0x80, b[8]&0x3f|0x80 // version 8 of RFC 9562: made by the application
	x := hex.EncodeToString(b)
	return "urn:uuid:" + x[:8] + "-" + x[8:12] + "-" + x[12:16] + "-" + x[16:20] + "-" + x[20:]
}

func hashOf(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func (c *converter) header(focus []any) obj {
	return obj{"resourceType": "MessageHeader", "focus": focus,
		"eventCoding": obj{"system": v2Event, "code": c.g.msh.Field(9).Comp(2).Text()},
		"source": obj{"endpoint": c.local("mllp")}.put("name", c.g.msh.Field(3).Comp(1).Text()).
			put("software", c.g.msh.Field(4).Comp(1).Text())}
}

// maxNames bounds the names and identifiers of a patient that are passed on.
const maxNames = 20

func (c *converter) patient() (obj, *Fault) {
	pid := c.g.pid
	var ids []any
	anyKnown := false
	for i, f := range pid.Field(3).Reps() {
		if i == maxNames {
			break
		}
		id, known := c.patientID(f)
		anyKnown = anyKnown || known
		if known {
			ids = insertKnown(ids, id)
		} else {
			ids = add(ids, id)
		}
	}
	switch {
	case len(ids) == 0:
		return nil, pid.fault(codeMissing, 3, "the patient has no identifier")
	case !anyKnown:
		return nil, pid.fault(codeUnknownKey, 3, "no assigning authority of the patient's identifiers is configured here or names "+
			"a universal id; without one the implants that others recorded cannot be found")
	}
	p := obj{"resourceType": "Patient", "id": idOf(ids[0].(obj)), "identifier": ids}
	p.put("birthDate", c.date(pid.Field(7))).put("gender", ofSex[pid.Field(8).Value()])
	var names []any
	for i, f := range pid.Field(5).Reps() {
		if i < maxNames {
			names = add(names, personName(f))
		}
	}
	p.put("name", names)
	if died := c.dateTime(pid.Field(29)); died != "" {
		p["deceasedDateTime"] = died
	} else if pid.Field(30).Value() == "Y" {
		p["deceasedBoolean"] = true
	}
	return p, nil
}

// insertKnown puts an identifier of a known system before those that only this sender understands, in the order
// received: the first is what the patient is filed under.
func insertKnown(ids []any, id obj) []any {
	n := len(ids)
	for i, x := range ids {
		if s, _ := x.(obj)["system"].(string); localURI.MatchString(s) {
			n = i
			break
		}
	}
	out := append([]any{}, ids[:n]...)
	return append(append(out, id), ids[n:]...)
}

// personName is an XPN: family, given, further given, suffix, prefix.
func personName(f Field) obj {
	o := obj{}.put("family", f.Comp(1).Sub(1).Text())
	var given []string
	for _, n := range []int{2, 3} {
		if g := f.Comp(n).Text(); g != "" {
			given = append(given, g)
		}
	}
	o.put("given", given)
	if len(o) > 0 && f.Comp(7).Text() == "L" {
		o["use"] = "official"
	}
	return o
}

// visit is PV1, where it has a number to be known by.
func (c *converter) visit() obj {
	pv1 := c.g.pv1
	number := pv1.Field(19)
	hd := number.Comp(4)
	id := c.number(number.Comp(1).Text(), hd.Sub(1), hd.Sub(2), hd.Sub(3), "VN")
	if len(id) == 0 {
		return nil
	}
	class := ofClass[pv1.Field(2).Value()]
	if class == "" {
		class = "AMB"
	}
	o := obj{"resourceType": "Encounter", "id": idOf(id), "identifier": []any{id}, "status": "unknown",
		"class": obj{"system": v3ActCode, "code": class}, "subject": obj{"reference": c.urn("Patient")}}
	if where := pv1.Field(3); !where.Empty() {
		o["location"] = []any{obj{"location": obj{"display": joinWords(where.Comp(4).Sub(1), where.Comp(1), where.Comp(2), where.Comp(3))}}}
	}
	return o
}
