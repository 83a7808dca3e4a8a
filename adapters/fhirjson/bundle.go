package fhirjson

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// bundleKinds are the types of Bundle (value set bundle-type) and whether their entries state something.
var bundleKinds = map[string]bool{
	"message": true, "transaction": true, "batch": true, "collection": true,
	"document": true, "history": true, "searchset": true,
	"transaction-response": false, "batch-response": false,
}

// bundler splits one Bundle.
type bundler struct {
	raw   []byte
	lim   Limits
	msg   Message
	known map[string]bool // full URLs of all entries, also with the version cut off
	seen  map[string]bool // full URL and version of all entries
}

func splitBundle(raw []byte, top []member, lim Limits, msg Message) (Message, error) {
	b := bundler{raw: raw, lim: lim, msg: msg, known: map[string]bool{}, seen: map[string]bool{}}
	if r := b.head(top); r != nil {
		return Message{}, r
	}
	entries, r := b.list(top)
	if r != nil {
		return Message{}, r
	}
	for i, sp := range entries {
		b.entry(i, sp)
	}
	if len(b.msg.Bad) > 0 && b.msg.Kind == "transaction" {
		return Message{}, b.wholly()
	}
	b.unresolved()
	b.header()
	b.msg.Findings = sorted(b.msg.Findings)
	return b.msg, nil
}

// head reads what stands beside the entries.
func (b *bundler) head(top []member) *Refusal {
	if name := capital(top); name != "" {
		return refuse(fault("structure", "Bundle."+safeName(name), "no FHIR element name starts with a capital; meant may be another element", ""))
	}
	kind, ok := textOf(b.raw, top, "type")
	if !ok {
		return refuse(fault("required", "Bundle.type", "this element is required and missing", ""))
	}
	tidy := strings.ToLower(strings.TrimSpace(kind))
	states, known := bundleKinds[tidy]
	switch {
	case !known:
		return refuse(fault("code-invalid", "Bundle.type", "not a code of the required set", clip(kind)))
	case !states:
		return refuse(fault("not-supported", "Bundle.type", "a response to a transaction or batch states nothing", kind))
	case tidy != kind:
		b.msg.Findings = append(b.msg.Findings, noted("code-invalid", "Bundle.type", "code brought to lower case without blanks", clip(kind)))
	}
	b.msg.Kind = tidy
	b.timestamp(top)
	if _, has := find(top, "total"); has && tidy != "searchset" && tidy != "history" {
		b.msg.Findings = append(b.msg.Findings, noted("invariant", "Bundle.total", "only a searchset or history has a total (bdl-1)", ""))
	}
	for _, m := range top {
		if !bundleNames[m.key] {
			b.msg.Findings = append(b.msg.Findings, lost("structure", "Bundle."+safeName(m.key), "unknown field left out", clip(m.key)))
		}
	}
	return b.meta(top)
}

// bundleNames are the elements of a Bundle in R4.
var bundleNames = map[string]bool{
	"resourceType": true, "id": true, "meta": true, "implicitRules": true, "_implicitRules": true, "language": true,
	"_language": true, "identifier": true, "type": true, "_type": true, "timestamp": true, "_timestamp": true,
	"total": true, "_total": true, "link": true, "entry": true, "signature": true, "_id": true,
}

// meta scans everything beside the entries for what makes a message unusable.
func (b *bundler) meta(top []member) *Refusal {
	var bad []implant.Finding
	for _, m := range top {
		if m.key == "entry" {
			continue
		}
		at := elsewhere
		if m.key == "meta" {
			at = atMeta
		}
		s := scanner{raw: b.raw, pos: m.value.start, depth: b.lim.Depth, n: &notes{}, steps: []step{{key: []byte(m.key)}}}
		s.value(at, []byte(m.key))
		bad = append(bad, s.n.bad...)
		b.msg.Findings = append(b.msg.Findings, under("Bundle", s.n.findings)...)
		if m.key == "implicitRules" {
			b.msg.Findings = append(b.msg.Findings, lost("extension", "Bundle.implicitRules", "implicitRules may change the meaning of the message", ""))
		}
	}
	if len(bad) > 0 {
		return refuse(under("Bundle", bad)...)
	}
	return nil
}

func (b *bundler) timestamp(top []member) {
	sp, ok := find(top, "timestamp")
	if !ok {
		return
	}
	text, _ := stringAt(b.raw, sp)
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		b.msg.Timestamp = t.UTC()
		return
	}
	if m, ok := mendInstant(text); ok {
		if t, err := time.Parse(time.RFC3339Nano, m.text); err == nil {
			b.msg.Timestamp = t.UTC()
			b.msg.Findings = append(b.msg.Findings, noted("value", "Bundle.timestamp", m.what, clip(text)))
			return
		}
	}
	b.msg.Findings = append(b.msg.Findings, lost("value", "Bundle.timestamp", "not an instant with zone, left out", clip(text)))
}

// list finds the entries.
func (b *bundler) list(top []member) ([]span, *Refusal) {
	sp, ok := find(top, "entry")
	if !ok || b.raw[sp.start] == 'n' {
		b.msg.Findings = append(b.msg.Findings, noted("incomplete", "Bundle.entry", "the Bundle has no entries", ""))
		return nil, nil
	}
	if b.raw[sp.start] != '[' {
		return nil, refuse(fault("structure", "Bundle.entry", "expected array", ""))
	}
	es := elements(b.raw, sp.start, b.lim.Entries)
	if len(es) > b.lim.Entries {
		return nil, refuse(fault("too-costly", "Bundle.entry", "more entries than the limit of "+strconv.Itoa(b.lim.Entries), ""))
	}
	if len(es) == 0 {
		b.msg.Findings = append(b.msg.Findings, lost("structure", "Bundle.entry", "empty array left out", ""))
	}
	return es, nil
}

// entry looks at one entry and files it under Entries or Bad.
func (b *bundler) entry(i int, sp span) {
	path := fmt.Sprintf("Bundle.entry[%d]", i)
	e := Entry{Index: i, Path: path + ".resource"}
	if r := b.fill(&e, path, sp); r != nil {
		b.msg.Bad = append(b.msg.Bad, BadEntry{Entry: e, Refusal: r})
		return
	}
	b.msg.Entries = append(b.msg.Entries, e)
}

func (b *bundler) fill(e *Entry, path string, sp span) *Refusal {
	if b.raw[sp.start] != '{' {
		return refuse(fault("structure", path, "expected an object", ""))
	}
	ms := members(b.raw, sp.start, maxProperties)
	if len(ms) > maxProperties {
		return refuse(fault("too-long", path, "an object has too many properties", ""))
	}
	e.FullURL, _ = textOf(b.raw, ms, "fullUrl")
	res, has := find(ms, "resource")
	if has && b.raw[res.start] == '{' {
		e.Offset, e.Raw = res.start, b.raw[res.start:res.end:res.end]
	}
	if name := twice(ms); name != "" {
		return refuse(fault("structure", path+"."+safeName(name), "this property stands twice; which one is meant is not known", ""))
	}
	if name := capital(ms); name != "" {
		return refuse(fault("structure", path+"."+safeName(name), "no FHIR element name starts with a capital; meant may be another element", ""))
	}
	if f, bad := b.request(e, path, ms); bad {
		return refuse(f)
	}
	switch {
	case !has:
		return refuse(fault("required", e.Path, "the entry has no resource", ""))
	case e.Raw == nil:
		return refuse(fault("structure", e.Path, "expected an object", ""))
	}
	r := inspect(b.raw, e, b.lim.Depth)
	b.remember(e, path)
	if r != nil {
		return r
	}
	if e.Type == "Bundle" {
		return refuse(fault("not-supported", e.Path, "a Bundle within a Bundle is not read; send it by itself", ""))
	}
	return nil
}

// remember notes the full URL for the check of references, and what is wrong with it.
func (b *bundler) remember(e *Entry, path string) {
	if e.FullURL == "" {
		return
	}
	one := e.FullURL + " " + e.notes.version
	if b.seen[one] && b.msg.Kind != "history" {
		b.msg.Findings = append(b.msg.Findings, lost("invariant", path+".fullUrl",
			"another entry has the same fullUrl (bdl-7); a reference to it is ambiguous", clip(e.FullURL)))
	}
	b.seen[one], b.known[e.FullURL] = true, true
	if base, _, versioned := strings.Cut(e.FullURL, "/_history/"); versioned {
		b.known[base] = true
		b.msg.Findings = append(b.msg.Findings, noted("invariant", path+".fullUrl", "a fullUrl names no version (bdl-8)", clip(e.FullURL)))
	}
}

// request reads entry.request and says whether the entry asks for something that is not done here.
func (b *bundler) request(e *Entry, path string, ms []member) (implant.Finding, bool) {
	wanted := b.msg.Kind == "transaction" || b.msg.Kind == "batch" || b.msg.Kind == "history"
	sp, has := find(ms, "request")
	if !has || b.raw[sp.start] != '{' {
		if wanted {
			b.msg.Findings = append(b.msg.Findings, noted("invariant", path+".request", "the entry has no request (bdl-3), read as if sent to be kept", ""))
		}
		return implant.Finding{}, false
	}
	rs := members(b.raw, sp.start, maxProperties)
	if name := twice(rs); name != "" || len(rs) > maxProperties {
		return fault("structure", path+".request."+safeName(name), "this property stands twice; which one is meant is not known", ""), true
	}
	method, _ := textOf(b.raw, rs, "method")
	e.Method = strings.ToUpper(strings.TrimSpace(method))
	e.URL, _ = textOf(b.raw, rs, "url")
	if !wanted {
		b.msg.Findings = append(b.msg.Findings, noted("invariant", path+".request", "this type of Bundle has no requests (bdl-3)", ""))
	}
	switch e.Method {
	case "", "POST", "PUT":
		return implant.Finding{}, false
	case "DELETE":
		return fault("not-supported", path+".request.method", "nothing is deleted from the record; send the resource as entered-in-error", ""), true
	}
	return fault("not-supported", path+".request.method", "this method is not served here", clip(method)), true
}

// wholly makes one refusal of all bad entries of a transaction.
func (b *bundler) wholly() *Refusal {
	fs := []implant.Finding{fault("processing", "Bundle", "a transaction is taken as a whole or not at all", "")}
	for _, bad := range b.msg.Bad {
		fs = append(fs, bad.Refusal.Findings...)
	}
	return refuse(fs...)
}

// unresolved reports references by URN that no entry answers to. They may be meant for something sent elsewhere, so
// they stay what they are: references to something that has not come.
func (b *bundler) unresolved() {
	for i := range b.msg.Entries {
		e := &b.msg.Entries[i]
		for _, u := range e.notes.urns {
			if !b.known[u.text] {
				e.notes.findings = append(e.notes.findings, lost("not-found", u.path, "no entry of the Bundle has this URN", clip(u.text)))
			}
		}
	}
}

// header reads event and endpoint of a message.
func (b *bundler) header() {
	if b.msg.Kind != "message" {
		return
	}
	if len(b.msg.Entries) == 0 || b.msg.Entries[0].Index != 0 || b.msg.Entries[0].Type != "MessageHeader" {
		b.msg.Findings = append(b.msg.Findings, lost("invariant", "Bundle.entry[0]", "the first entry of a message is no usable MessageHeader (bdl-12)", ""))
		return
	}
	var h struct {
		EventURI    string `json:"eventUri"`
		EventCoding struct {
			System, Code string
		} `json:"eventCoding"`
		Source struct{ Endpoint string } `json:"source"`
	}
	// A header of the wrong shape is reported when it is decoded; here what can be read is enough.
	_ = json.Unmarshal(b.msg.Entries[0].Raw, &h)
	b.msg.Event, b.msg.Endpoint = h.EventURI, h.Source.Endpoint
	if b.msg.Event == "" && h.EventCoding.Code != "" {
		b.msg.Event = h.EventCoding.System + "|" + h.EventCoding.Code
	}
}

func atByte(n int) string { return " at byte " + strconv.Itoa(n) }
