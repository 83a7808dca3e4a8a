package fhirjson

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/implant"
)

// Glimpse is what could be made out of a resource or Bundle that was refused.
type Glimpse struct {
	Type        string    // resourceType
	ID          string    //
	VersionID   string    // meta.versionId
	LastUpdated time.Time // meta.lastUpdated, UTC; zero when absent or unreadable
	// Patients are the references that say whose data it is, as received ("Patient/1"), sorted; of a Patient, itself.
	// Of a Bundle, those of all its entries and the Patients among them.
	Patients    []string
	Identifiers []implant.Identifier // business identifiers of these patients, sorted
	Status      string               // status
}

// Limits of Peek: a refused message may be of any shape.
const (
	peekDepth  = 64   // deeper values are passed over
	peekStack  = 1000 // levels at which the walk stops
	peekFound  = 200  // patients or identifiers kept
	peekTokens = 2_000_000
)

// looseReference finds references to Patients in JSON that is broken.
var looseReference = regexp.MustCompile(`"(?i:reference)"\s*:\s*"((?:[^"\\]*/)?Patient/[A-Za-z0-9\-._]+)`)

// Peek makes out of a refused resource, best effort, whom it is about. Broken, truncated or wrongly capitalised JSON
// gives what can be had; nothing is checked, and nothing here is fit for more than finding the records in doubt.
func Peek(raw []byte) Glimpse {
	raw = bytes.TrimPrefix(raw, []byte("\xEF\xBB\xBF"))
	if len(raw) > defaultBytes {
		raw = raw[:defaultBytes]
	}
	p := peeker{}
	broken := p.walk(raw)
	if broken {
		for _, m := range looseReference.FindAllSubmatch(raw, peekFound) {
			p.patient(string(m[1]))
		}
	}
	g := p.g
	slices.Sort(g.Patients)
	g.Patients = slices.Compact(g.Patients)
	slices.SortFunc(g.Identifiers, func(a, b implant.Identifier) int {
		return strings.Compare(a.System+"\x00"+a.Value+"\x00"+a.Type+"\x00"+a.Use, b.System+"\x00"+b.Value+"\x00"+b.Type+"\x00"+b.Use)
	})
	g.Identifiers = slices.Compact(g.Identifiers)
	return g
}

// peeker walks tokens and keeps the names of the properties it is in.
type peeker struct {
	g     Glimpse
	stack []level
}

// level is one object or array that the walk is in.
type level struct {
	object bool
	key    string // property being read, lower case; of an array, that of the property it is the value of
	atKey  bool
	typ    string // of an object: resourceType
	id     string
	ident  implant.Identifier // of an object within identifier
	idents []implant.Identifier
}

// walk reads tokens to the end or to the first error.
func (p *peeker) walk(raw []byte) (broken bool) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	for range peekTokens {
		tok, err := dec.Token()
		if err != nil {
			for len(p.stack) > 0 { // truncated: what is open counts as closed
				p.close()
			}
			return dec.InputOffset() < int64(len(bytes.TrimRight(raw, " \t\r\n")))
		}
		if p.token(tok); len(p.stack) > peekStack {
			break
		}
	}
	return true
}

func (p *peeker) token(tok json.Token) {
	switch t := tok.(type) {
	case json.Delim:
		switch t {
		case '{', '[':
			p.stack = append(p.stack, level{object: t == '{', atKey: t == '{', key: p.key()})
		default:
			p.close()
			p.next()
		}
	case string:
		if n := len(p.stack); n > 0 && p.stack[n-1].atKey {
			p.stack[n-1].key = strings.ToLower(t)
			p.stack[n-1].atKey = false
			return
		}
		p.text(t)
		p.next()
	default:
		p.next()
	}
}

// next makes an object wait for its next property name.
func (p *peeker) next() {
	if n := len(p.stack); n > 0 && p.stack[n-1].object {
		p.stack[n-1].atKey = true
	}
}

func (p *peeker) key() string {
	if n := len(p.stack); n > 0 {
		return p.stack[n-1].key
	}
	return ""
}

// parent gives the property, up levels above the innermost object, arrays not counted.
func (p *peeker) parent(up int) string {
	for i := len(p.stack) - 1; i >= 0; i-- {
		if !p.stack[i].object {
			continue
		}
		if up == 0 {
			return p.stack[i].key
		}
		up--
	}
	return ""
}

// text looks at a string value.
func (p *peeker) text(s string) {
	n := len(p.stack)
	if n == 0 || n > peekDepth {
		return
	}
	top := &p.stack[n-1]
	if !top.object {
		return
	}
	switch key, in := top.key, p.parent(1); {
	case key == "resourcetype":
		top.typ = s
	case key == "id":
		top.id = s
	case n == 1 && key == "status":
		p.g.Status = s
	case n == 2 && in == "meta" && key == "versionid":
		p.g.VersionID = s
	case n == 2 && in == "meta" && key == "lastupdated":
		p.g.LastUpdated = instant(s)
	case key == "reference" && aboutWhom[in]:
		p.patient(s)
	case in == "identifier" && key == "system":
		top.ident.System = strings.TrimSpace(s)
	case in == "identifier" && key == "value":
		top.ident.Value = strings.TrimSpace(s)
	case in == "identifier" && key == "use":
		top.ident.Use = strings.TrimSpace(s)
	case key == "code" && in == "coding" && p.parent(2) == "type" && p.parent(3) == "identifier":
		p.identifierType(s)
	}
}

// identifierType sets the type code of the identifier around a coding.
func (p *peeker) identifierType(code string) {
	objects := 0
	for i := len(p.stack) - 1; i >= 0; i-- {
		if p.stack[i].object {
			if objects == 2 {
				if p.stack[i].ident.Type == "" {
					p.stack[i].ident.Type = code
				}
				return
			}
			objects++
		}
	}
}

// close ends the innermost object or array.
func (p *peeker) close() {
	n := len(p.stack) - 1
	l := p.stack[n]
	about := p.parent(2)
	inIdentifier := p.parent(1) == "identifier"
	p.stack = p.stack[:n]
	if !l.object {
		return
	}
	if inIdentifier && l.ident.Value != "" {
		p.identifier(l.ident, about)
	}
	if n == 0 {
		p.g.Type, p.g.ID = l.typ, l.id
	}
	if l.typ == "Patient" {
		if l.id != "" {
			p.patient("Patient/" + l.id)
		}
		for _, id := range l.idents {
			p.found(id)
		}
	}
}

// identifier keeps one of a reference to the patient at once, and one of a resource until its type is known.
func (p *peeker) identifier(id implant.Identifier, about string) {
	if aboutWhom[about] {
		p.found(id)
		return
	}
	for i := len(p.stack) - 1; i >= 0; i-- {
		if p.stack[i].object {
			if len(p.stack[i].idents) < peekFound {
				p.stack[i].idents = append(p.stack[i].idents, id)
			}
			return
		}
	}
}

func (p *peeker) found(id implant.Identifier) {
	if len(p.g.Identifiers) < peekFound {
		p.g.Identifiers = append(p.g.Identifiers, id)
	}
}

func (p *peeker) patient(ref string) {
	if len(p.g.Patients) < peekFound {
		p.g.Patients = append(p.g.Patients, ref)
	}
}

func instant(s string) time.Time {
	if m, ok := mendInstant(s); ok {
		if t, err := time.Parse(time.RFC3339Nano, m.text); err == nil {
			return t.UTC()
		}
	}
	return time.Time{}
}
