package fhirjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"time"
	"unicode/utf8"

	"gaussline/mapping/implant"
)

// Limits bound what one message may cost. A field that is 0 takes its value from DefaultLimits.
type Limits struct {
	Bytes   int // of the whole message
	Entries int // of a Bundle
	Depth   int // of nested objects and arrays within one resource; the decoder stops at 40 elements in any case
}

// The limits that hold unless a site configures others.
const (
	defaultBytes   = 4 << 20 // a 1,000-device Bundle is 0.9 MB; a scanned letter in base64 some MB
	defaultEntries = 1000    // the largest Bundle that decodes in a fifth of a second
	defaultDepth   = 40      // the deepest official R4 example of the types we read nests 9 levels
)

// DefaultLimits gives the limits that hold unless a site configures others.
func DefaultLimits() Limits {
	return Limits{Bytes: defaultBytes, Entries: defaultEntries, Depth: defaultDepth}
}

// hardBytes bounds an Entry that Split did not make, whatever limits a site has configured.
const hardBytes = 64 << 20

func (l Limits) orDefault() Limits {
	d := DefaultLimits()
	if l.Bytes > 0 {
		d.Bytes = l.Bytes
	}
	if l.Entries > 0 {
		d.Entries = l.Entries
	}
	if l.Depth > 0 {
		d.Depth = l.Depth
	}
	return d
}

// Entry is one resource of a message, not decoded yet.
type Entry struct {
	Index   int    // in Bundle.entry; 0 for a bare resource
	Path    string // "Bundle.entry[3].resource", or "" for a bare resource
	FullURL string // entry.fullUrl
	Method  string // entry.request.method
	URL     string // entry.request.url
	Type    string // resourceType
	ID      string // id as received, even if FHIR would not allow it
	Raw     []byte // exact slice of the received bytes; do not change it
	Offset  int    // of Raw in the received bytes

	notes *notes // what Split saw; nil for an Entry made elsewhere
}

// root is the path that stands for the resource in findings.
func (e Entry) root() string {
	switch {
	case e.Path != "":
		return e.Path
	case e.Type != "":
		return e.Type
	}
	return "Resource"
}

// BadEntry is an entry that cannot be used, with the reasons. Its fields are filled as far as they could be read.
type BadEntry struct {
	Entry   Entry
	Refusal *Refusal
}

// Message is a received resource or Bundle, split into its resources.
type Message struct {
	Kind      string            // "resource" or Bundle.type
	Timestamp time.Time         // Bundle.timestamp, UTC; zero when absent or unreadable (then there is a finding)
	Event     string            // MessageHeader.eventUri, or system|code of eventCoding
	Endpoint  string            // MessageHeader.source.endpoint
	Entries   []Entry           //
	Bad       []BadEntry        //
	Findings  []implant.Finding // about the message itself; those about a resource come from Decode
}

// Split looks at a received message once, without protos, and finds its resources. It refuses the whole (the error
// is a *Refusal) when it is too large, not UTF-8, not JSON, not an R4 resource, or a Bundle of a type that makes no
// statements or that it cannot name. One bad entry goes to Bad and leaves its neighbours alone, except in a
// transaction, which stands or falls as a whole (R4, http.html, transaction rules).
//
// Bundles of type document, history and searchset are read like collection. Memory stays within a small multiple of
// lim.Bytes whatever is sent.
func Split(raw []byte, lim Limits) (Message, error) {
	lim = lim.orDefault()
	var msg Message
	body, err := wellFormed(raw, lim, &msg)
	if err != nil {
		return Message{}, err
	}
	start := skipBlanks(raw, body)
	top := members(raw, start, maxProperties)
	if len(top) > maxProperties {
		return Message{}, refuse(fault("too-long", "", "an object has too many properties", ""))
	}
	if name := twice(top); name != "" {
		return Message{}, refuse(fault("structure", safeName(name), "this property stands twice; which one is meant is not known", ""))
	}
	if typ, _ := textOf(raw, top, "resourceType"); typ == "Bundle" {
		return splitBundle(raw, top, lim, msg)
	}
	e := Entry{Raw: raw[start:skipValue(raw, start)], Offset: start}
	if r := inspect(raw, &e, lim.Depth); r != nil {
		return Message{}, r
	}
	msg.Kind = "resource"
	msg.Entries = []Entry{e}
	return msg, nil
}

// wellFormed checks size, encoding and JSON syntax and gives the offset of the JSON text.
func wellFormed(raw []byte, lim Limits, msg *Message) (int, error) {
	if len(raw) > lim.Bytes {
		return 0, refuse(fault("too-long", "", "the message is over the size limit", ""))
	}
	start := 0
	if bytes.HasPrefix(raw, []byte("\xEF\xBB\xBF")) {
		start = 3
		msg.Findings = append(msg.Findings, noted("processing", "", "byte order mark left out", ""))
	}
	body := raw[start:]
	if !utf8.Valid(body) {
		return 0, refuse(fault("invalid", "", "not UTF-8"+atByte(start+firstInvalid(body)), ""))
	}
	if !json.Valid(body) {
		return 0, refuse(fault("invalid", "", "not JSON"+syntaxError(body, start), ""))
	}
	if body[skipBlanks(body, 0)] != '{' {
		return 0, refuse(fault("structure", "", "not a JSON object", ""))
	}
	return start, nil
}

func firstInvalid(b []byte) int {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n <= 1 {
			return i
		}
		i += n
	}
	return len(b)
}

// syntaxError says where and why JSON goes wrong. The library's own text quotes the character, which is left out: it
// may be of a name.
func syntaxError(body []byte, start int) string {
	var ignored json.RawMessage
	var se *json.SyntaxError
	if err := json.Unmarshal(body, &ignored); !errors.As(err, &se) {
		return ""
	}
	const quoted = "invalid character '"
	why := "the text ends too early"
	if rest, ok := strings.CutPrefix(se.Error(), quoted); ok {
		why = "a character that cannot stand there"
		if len(rest) > 1 { // the first may be an apostrophe or blank itself
			if _, place, ok := strings.Cut(rest[1:], "' "); ok {
				why += ", " + place
			}
		}
	}
	return atByte(start+int(se.Offset)) + ": " + why
}

// inspect scans the resource e.Raw within raw, fills Type, ID and notes, and refuses what is not an R4 resource.
func inspect(raw []byte, e *Entry, depth int) *Refusal {
	n := scanResource(raw, e.Offset, depth)
	e.Type, e.ID, e.notes = n.typ, n.id, n
	if len(n.bad) > 0 {
		out := under(e.root(), n.bad)
		for i := range out {
			if e.Path == "" && out[i].Path == "Resource.resourceType" {
				out[i].Path = "resourceType" // what it is of is just what is not known
			}
		}
		return refuse(out...)
	}
	if f, ok := typeFault(n.typ, e.Path); ok {
		return refuse(f)
	}
	return nil
}

// under puts the path of the resource before relative paths.
func under(root string, fs []implant.Finding) []implant.Finding {
	out := make([]implant.Finding, len(fs))
	for i, f := range fs {
		f.Path = root + f.Path
		out[i] = f
	}
	return out
}

// twice gives the first property name that stands twice, or "".
func twice(ms []member) string {
	const few = 32
	if len(ms) <= few {
		for i, m := range ms {
			for _, n := range ms[:i] {
				if n.key == m.key {
					return m.key
				}
			}
		}
		return ""
	}
	seen := make(map[string]bool, len(ms))
	for _, m := range ms {
		if seen[m.key] {
			return m.key
		}
		seen[m.key] = true
	}
	return ""
}

func find(ms []member, key string) (span, bool) {
	for _, m := range ms {
		if m.key == key {
			return m.value, true
		}
	}
	return span{}, false
}

// textOf gives the string value of a property; ok is false when it is absent or no string.
func textOf(raw []byte, ms []member, key string) (string, bool) {
	sp, ok := find(ms, key)
	if !ok {
		return "", false
	}
	return stringAt(raw, sp)
}

// capital gives the first property that starts with a capital, or "".
func capital(ms []member) string {
	for _, m := range ms {
		if k := strings.TrimPrefix(m.key, "_"); k != "" && 'A' <= k[0] && k[0] <= 'Z' {
			return m.key
		}
	}
	return ""
}
