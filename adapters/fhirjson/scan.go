package fhirjson

import (
	"bytes"
	"strconv"
	"strings"

	"gaussline/mapping/implant"
)

// maxProperties limits the properties of one object; the largest R4 element has under 60.
const maxProperties = 1000

// place says what part of a resource the scan is in, where names have a meaning of their own.
type place uint8

const (
	elsewhere place = iota
	atResource
	atContained // the array
	inContained // one of its resources
	atMeta
)

// located is a string with the path at which it stood, relative to the resource.
type located struct{ path, text string }

// notes are what the scan of one resource found out.
type notes struct {
	typ, id  string
	version  string            // meta.versionId
	suspect  bool              // something the library takes silently, or the mending pass must look at
	bad      []implant.Finding // reasons to refuse, paths relative to the resource
	findings []implant.Finding // to report, paths relative to the resource
	local    []located         // references to contained resources, without '#'
	used     []located         // the same and other '#' strings (canonicals may name a contained resource too)
	inside   []located         // ids of contained resources
	urns     []located         // urn:uuid: and urn:oid: references
}

// step is one step of a path: a property or, with key nil, an index.
type step struct {
	key   []byte
	index int
}

// scanner walks one resource in JSON that is known to be valid.
type scanner struct {
	raw   []byte
	pos   int
	depth int // levels still allowed
	steps []step
	keys  [][]byte
	n     *notes
}

// scanResource walks the resource that starts at start, at most depth levels deep.
func scanResource(raw []byte, start, depth int) *notes {
	s := scanner{raw: raw, pos: start, depth: depth, n: &notes{}, steps: make([]step, 0, 16), keys: make([][]byte, 0, 48)}
	s.value(atResource, nil)
	s.checkContained()
	return s.n
}

func (s *scanner) path() string {
	var b strings.Builder
	for _, st := range s.steps {
		if st.key == nil {
			b.WriteString("[" + strconv.Itoa(st.index) + "]")
			continue
		}
		b.WriteString(".")
		b.WriteString(safeName(string(st.key)))
	}
	return b.String()
}

func (s *scanner) refuse(code, text, words string) {
	const enough = 20 // reasons for one resource
	if len(s.n.bad) < enough {
		s.n.bad = append(s.n.bad, fault(code, s.path(), text, clip(words)))
	}
}

func (s *scanner) value(at place, key []byte) {
	s.pos = skipBlanks(s.raw, s.pos)
	switch c := s.raw[s.pos]; c {
	case '{', '[':
		if s.depth == 0 {
			s.refuse("too-long", "nested too deep", "")
			s.pos = skipValue(s.raw, s.pos)
			return
		}
		s.depth--
		if c == '{' {
			s.object(at)
		} else {
			s.array(at, key)
		}
		s.depth++
	case '"':
		s.text(at, key)
	default:
		if c == 'n' {
			s.n.suspect = true
		}
		if at == atResource && string(key) == "resourceType" {
			s.refuse("structure", "resourceType is not a string", "")
		}
		s.pos = skipLiteral(s.raw, s.pos)
	}
}

func (s *scanner) array(at place, key []byte) {
	s.pos++
	s.steps = append(s.steps, step{})
	inner := at
	if at == atContained {
		inner = inContained
	}
	n := 0
	for ; ; n++ {
		s.pos = skipBlanks(s.raw, s.pos)
		if s.raw[s.pos] == ',' {
			s.pos = skipBlanks(s.raw, s.pos+1)
		}
		if s.raw[s.pos] == ']' {
			s.pos++
			break
		}
		s.steps[len(s.steps)-1].index = n
		s.value(inner, key)
	}
	if n == 0 {
		s.n.suspect = true
	}
	s.steps = s.steps[:len(s.steps)-1]
}

func (s *scanner) object(at place) {
	s.pos++
	first := len(s.keys)
	var seen map[string]struct{} // only for objects with many properties
	n := 0
	for ; ; n++ {
		s.pos = skipBlanks(s.raw, s.pos)
		if s.raw[s.pos] == ',' {
			s.pos = skipBlanks(s.raw, s.pos+1)
		}
		if s.raw[s.pos] == '}' {
			s.pos++
			break
		}
		key := s.key()
		s.steps = append(s.steps, step{key: key})
		seen = s.duplicate(key, first, seen)
		s.property(at, key)
		s.steps = s.steps[:len(s.steps)-1]
	}
	if n == 0 {
		s.n.suspect = true
	}
	if n > maxProperties {
		s.refuse("too-long", "an object has too many properties", "")
	}
	s.keys = s.keys[:first]
}

// key reads a property name and moves to its value.
func (s *scanner) key() []byte {
	start := s.pos
	end, escaped := skipString(s.raw, s.pos)
	s.pos = skipBlanks(s.raw, skipBlanks(s.raw, end)+1)
	if escaped {
		text, _ := stringAt(s.raw, span{start, end})
		return []byte(text)
	}
	return s.raw[start+1 : end-1 : end-1]
}

// duplicate refuses a name that the object has had before. Few names are compared, many are kept in a set.
func (s *scanner) duplicate(key []byte, first int, seen map[string]struct{}) map[string]struct{} {
	const few = 24
	again := false
	if seen == nil {
		for _, k := range s.keys[first:] {
			if bytes.Equal(k, key) {
				again = true
			}
		}
		s.keys = append(s.keys, key)
		if len(s.keys)-first > few {
			seen = make(map[string]struct{}, 2*few)
			for _, k := range s.keys[first:] {
				seen[string(k)] = struct{}{}
			}
		}
	} else {
		_, again = seen[string(key)]
		seen[string(key)] = struct{}{}
	}
	if again {
		s.refuse("structure", "this property stands twice; which one is meant is not known", "")
	}
	return seen
}

// property looks at a name and walks its value.
func (s *scanner) property(at place, key []byte) {
	name := key
	if len(name) > 0 && name[0] == '_' {
		name = name[1:]
	}
	if len(name) > 0 && 'A' <= name[0] && name[0] <= 'Z' {
		s.refuse("structure", "no FHIR element name starts with a capital; meant may be another element", string(key))
	}
	inner := elsewhere
	switch {
	case string(key) == "modifierExtension":
		s.n.findings = append(s.n.findings, lost("extension", s.path(), "a modifier extension may change the meaning of its parent", ""))
	case string(key) == "_reference":
		s.n.suspect = true
	case at == atResource || at == inContained:
		inner = s.resourceProperty(at, key)
	case at == atMeta && (string(key) == "profile" || string(key) == "versionId"):
		inner = atMeta
	}
	s.value(inner, key)
}

func (s *scanner) resourceProperty(at place, key []byte) place {
	switch string(key) {
	case "resourceType", "id", "fhirVersion":
		return at
	case "implicitRules":
		s.n.findings = append(s.n.findings, lost("extension", s.path(), "implicitRules may change the meaning of the resource", ""))
	case "meta":
		return atMeta
	case "contained":
		if at == atResource {
			return atContained
		}
		s.refuse("structure", "a contained resource holds contained resources", "")
	}
	return elsewhere
}

// text looks at a string value.
func (s *scanner) text(at place, key []byte) {
	start := s.pos
	end, _ := skipString(s.raw, s.pos)
	s.pos = end
	in := s.raw[start+1 : end-1]
	if len(in) == 0 {
		s.n.suspect = true
	} else if blankEdge(in) && !freeText[string(key)] {
		s.n.suspect = true
	}
	switch at {
	case atResource, inContained:
		s.resourceText(at, key, span{start, end})
	case atMeta:
		s.metaText(key, in, span{start, end})
	default:
		s.elementText(key, in, span{start, end})
	}
}

// freeText are names whose strings may well start or end with a blank.
var freeText = map[string]bool{"text": true, "div": true, "display": true, "title": true, "description": true}

// blankEdge says whether a string, as it stands in JSON, starts or ends with a blank, tab or line break.
func blankEdge(in []byte) bool {
	n := len(in)
	if in[0] == ' ' || in[n-1] == ' ' {
		return true
	}
	return n > 1 && (in[0] == '\\' && blankEscape(in[1]) || in[n-2] == '\\' && blankEscape(in[n-1]))
}

func blankEscape(c byte) bool { return c == 'n' || c == 'r' || c == 't' }

func (s *scanner) resourceText(at place, key []byte, sp span) {
	text, _ := stringAt(s.raw, sp)
	switch string(key) {
	case "resourceType":
		if at == atResource {
			s.n.typ = text
		}
	case "id":
		if at == atResource {
			s.n.id = text
		} else {
			s.n.suspect = s.n.suspect || !allowedID.MatchString(text) // the library does not look
			s.n.inside = append(s.n.inside, located{s.path(), text})
		}
	case "fhirVersion":
		if !strings.HasPrefix(text, "4.") {
			s.refuse("not-supported", "R4 only: the resource says it is of another FHIR version", text)
		}
	}
}

func (s *scanner) metaText(key, in []byte, sp span) {
	if string(key) == "versionId" && len(s.steps) == 2 {
		s.n.version, _ = stringAt(s.raw, sp)
	}
	if string(key) == "profile" && otherVersionProfile(string(in)) {
		s.refuse("not-supported", "R4 only: the resource claims a core profile of another FHIR version", string(in))
	}
}

func (s *scanner) elementText(key, in []byte, sp span) {
	switch {
	case string(key) == "div":
		if activeContent(in) {
			s.n.suspect = true
		}
	case len(in) > 1 && in[0] == '#':
		text, _ := stringAt(s.raw, sp)
		s.n.used = append(s.n.used, located{text: text[1:]})
		if string(key) == "reference" {
			s.n.local = append(s.n.local, located{s.path(), text[1:]})
		}
	case string(key) == "reference" && bytes.HasPrefix(in, []byte("urn:")):
		text, _ := stringAt(s.raw, sp)
		s.n.urns = append(s.n.urns, located{s.path(), text})
	case len(in) <= longestCode && codedNames[string(key)]:
		// The library takes the protos' own words ("less-than") for comparators.
		if oddCode(key, in) || len(in) > 2 && string(key) == "comparator" {
			s.n.suspect = true
		}
	}
}

// oddCode says whether a string could be a code in the wrong form: letters, digits and hyphens, with a capital or an
// underscore among them. URIs and resource types (Reference.type) are none.
func oddCode(key, in []byte) bool {
	odd := false
	for _, c := range in {
		switch {
		case c == '_' || 'A' <= c && c <= 'Z':
			odd = true
		case 'a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-':
		default:
			return false
		}
	}
	return odd && !(string(key) == "type" && r4Types[string(in)] != nil)
}

// checkContained reports references to contained resources that are not there (invariant ref-1) and contained
// resources that nothing refers to (dom-3). Neither is refused: the rest of the resource still says what it says.
func (s *scanner) checkContained() {
	for _, l := range s.n.local {
		if !has(s.n.inside, l.text) {
			s.n.findings = append(s.n.findings, lost("invariant", l.path, "refers to a contained resource that is not there (ref-1)", clip(l.text)))
		}
	}
	for _, c := range s.n.inside {
		if !has(s.n.used, c.text) {
			s.n.findings = append(s.n.findings, lost("invariant", strings.TrimSuffix(c.path, ".id"), "nothing refers to this contained resource (dom-3)", clip(c.text)))
		}
	}
}

func has(ls []located, text string) bool {
	for _, l := range ls {
		if l.text == text {
			return true
		}
	}
	return false
}

// safeName gives a property name for use in a path. A name that no standard could have is not repeated: a sender's
// mistake may have put data there.
func safeName(s string) string {
	const longest = 64
	if s == "" || len(s) > longest {
		return "?"
	}
	for _, c := range s {
		if !('a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_') {
			return "?"
		}
	}
	return s
}
