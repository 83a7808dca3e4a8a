package fhirjson

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"gaussline/mapping/implant"
)

// mender brings one resource, as maps, into the form the library reads, guided by the protos. It reports all it does.
type mender struct {
	findings []implant.Finding // what was mended or left out
	fatal    []implant.Finding // why the resource must be refused
	ids      []keptID          // identifiers that the library would refuse, to be put back afterwards
	within   int               // index in contained, -1 in the resource itself
	dropped  string            // path of an element that must go as a whole
}

// keptID is an id as received that FHIR does not allow. References name it as received, so it must not change.
type keptID struct {
	within  int // index in contained, -1 for the resource itself
	version bool
	text    string
}

func (m *mender) note(f implant.Finding)   { m.findings = append(m.findings, f) }
func (m *mender) refuse(f implant.Finding) { m.fatal = append(m.fatal, f) }

// resource mends a whole resource; its type decides how.
func (m *mender) resource(path string, obj map[string]any) {
	typ, _ := obj["resourceType"].(string)
	d := r4Types[typ]
	if d == nil {
		f, _ := typeFault(typ, path)
		m.refuse(f)
		return
	}
	m.object(path, d, obj)
}

// object mends the properties of one element or resource in place.
func (m *mender) object(path string, d protoreflect.MessageDescriptor, obj map[string]any) {
	el := elementOf(d)
	names := make([]string, 0, len(obj))
	for name := range obj {
		names = append(names, name)
	}
	slices.Sort(names)
	_, whole := r4Types[el.owner]
	for _, name := range names {
		if whole && name == "resourceType" {
			continue
		}
		base := strings.TrimPrefix(name, "_")
		f := el.fields[base]
		at := path + "." + safeName(base)
		switch v := obj[name]; {
		case f == nil, base != name && !f.primitive:
			m.unknown(at, el, base, v)
			delete(obj, name)
		case v == nil:
			m.note(lost("structure", at, "null left out", ""))
			delete(obj, name)
		case name == "_reference" && el.owner == "Reference":
			m.note(lost("extension", at, "an extension on a reference is kept in the received bytes only", ""))
			delete(obj, name)
		default:
			m.set(obj, name, m.property(at, f, base != name, v))
		}
	}
	m.align(path, el, obj)
}

// set puts a mended value back, or removes the property when nothing is left.
func (m *mender) set(obj map[string]any, name string, v any) {
	if v == nil {
		delete(obj, name)
		return
	}
	obj[name] = v
}

// property mends the value of one property; nil means that it is left out. beside says that it is the underscore
// property that stands beside a primitive.
func (m *mender) property(path string, f *field, beside bool, v any) any {
	if !f.repeated {
		if list, ok := v.([]any); ok {
			if len(list) != 1 {
				return m.emptyOr(path, len(list), "more than one value where one is expected", v)
			}
			m.note(noted("structure", path, "an array of one taken as the single value", ""))
			v = list[0]
		}
		return m.single(path, f, beside, v)
	}
	list, ok := v.([]any)
	if !ok {
		if v == "" {
			m.note(lost("structure", path, "empty string left out", ""))
			return nil
		}
		m.note(noted("structure", path, "a single value taken as an array of one", ""))
		list = []any{v}
	}
	if len(list) == 0 {
		return m.emptyOr(path, 0, "", v)
	}
	var out []any
	for i, item := range list {
		at := path + "[" + strconv.Itoa(i) + "]"
		if item == nil && !f.primitive {
			m.note(lost("structure", at, "null left out", ""))
			continue
		}
		if item != nil {
			item = m.single(at, f, beside, item)
		}
		if item != nil || f.primitive { // places in arrays of primitives are kept until align
			out = append(out, item)
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

// emptyOr leaves out an empty array and refuses a longer one.
func (m *mender) emptyOr(path string, n int, text string, v any) any {
	if n == 0 {
		m.note(lost("structure", path, "empty array left out", ""))
		return nil
	}
	m.refuse(fault("structure", path, text, ""))
	return v
}

// single mends one value.
func (m *mender) single(path string, f *field, beside bool, v any) any {
	obj, isObject := v.(map[string]any)
	switch {
	case v == nil:
		m.note(lost("structure", path, "null left out", ""))
		return nil
	case v == "":
		m.note(lost("structure", path, "empty string left out", ""))
		return nil
	case isObject && len(obj) == 0:
		m.note(lost("structure", path, "empty object left out", ""))
		return nil
	case f.primitive && !beside:
		if isObject {
			m.refuse(fault("structure", path, "expected a single value", ""))
			return v
		}
		return m.scalar(path, f, v)
	case !isObject:
		m.refuse(fault("structure", path, "expected an object", ""))
		return v
	case f.resource:
		return m.inner(path, obj)
	}
	m.object(path, f.msg, obj)
	if m.dropped == path {
		m.dropped = ""
		return nil
	}
	if len(obj) == 0 {
		m.note(lost("structure", path, "nothing is left of this element", ""))
		return nil
	}
	return m.checked(path, f, obj)
}

// inner mends a contained resource.
func (m *mender) inner(path string, obj map[string]any) any {
	outer := m.within
	m.within = indexOf(path)
	m.resource(path, obj)
	m.within = outer
	return obj
}

// indexOf gives the index with which a path ends.
func indexOf(path string) int {
	i := strings.LastIndexByte(path, '[')
	n, err := strconv.Atoi(strings.TrimSuffix(path[i+1:], "]"))
	if err != nil {
		return 0
	}
	return n
}

// checked looks at elements that have a rule of their own.
func (m *mender) checked(path string, f *field, obj map[string]any) any {
	switch f.kind {
	case "Extension":
		if _, ok := obj["url"].(string); ok {
			break
		}
		if f.name == "modifierExtension" {
			m.refuse(fault("extension", path, "a modifier extension without url: what it changes is not known", ""))
			break
		}
		m.note(lost("extension", path, "extension without url left out", ""))
		return nil
	case "Reference":
		return m.reference(path, f, obj)
	}
	return obj
}

// aboutWhom are references that say whose data it is; a wrong one is never left out.
var aboutWhom = map[string]bool{"subject": true, "patient": true, "beneficiary": true, "for": true}

// reference looks at the target type. A target that the element cannot have is left out when the rest still says
// what it says, with a display or identifier beside it kept.
func (m *mender) reference(path string, f *field, obj map[string]any) any {
	text, _ := obj["reference"].(string)
	typ, ok := wrongTarget(text, f.targets)
	if !ok {
		return obj
	}
	if f.required || f.modifier() || aboutWhom[f.base] {
		m.refuse(fault("value", path, "a reference to a "+typ+" cannot stand here", clip(text)))
		return obj
	}
	m.note(fault("value", path, "left out: a reference to a "+typ+" cannot stand here", clip(text)))
	delete(obj, "reference")
	if len(obj) == 0 || len(obj) == 1 && obj["type"] != nil {
		return nil
	}
	return obj
}

// wrongTarget names the type of a relative reference when it is none of the allowed targets.
func wrongTarget(text string, targets []string) (string, bool) {
	parts := strings.Split(text, "/")
	if len(parts) != 2 && (len(parts) != 4 || parts[2] != "_history") {
		return "", false
	}
	typ := parts[0]
	switch {
	case r4Types[typ] == nil:
		return typ, stu3Types[typ] != nil // the library refuses types it knows from STU3
	case len(targets) == 0, slices.Contains(targets, "Resource"), slices.Contains(targets, typ):
		return "", false
	}
	return typ, true
}

// align makes arrays of primitives and the underscore arrays beside them equally long. A null that only holds a
// place becomes {}, which is how this library reads it; a place with nothing on either side goes.
func (m *mender) align(path string, el *element, obj map[string]any) {
	for _, name := range alignable(el, obj) {
		values, _ := obj[name].([]any)
		besides, _ := obj["_"+name].([]any)
		var outV, outB []any
		some := false
		for i := range max(len(values), len(besides)) {
			v, b := at(values, i), at(besides, i)
			if v == nil && b == nil {
				m.note(lost("structure", path+"."+name+"["+strconv.Itoa(i)+"]", "a place with nothing in it left out", ""))
				continue
			}
			some = some || b != nil
			outV, outB = append(outV, orEmpty(v)), append(outB, orEmpty(b))
		}
		if !some {
			outB = nil
		}
		m.setList(obj, name, outV)
		m.setList(obj, "_"+name, outB)
	}
}

func (m *mender) setList(obj map[string]any, name string, list []any) {
	if len(list) == 0 {
		delete(obj, name)
		return
	}
	obj[name] = list
}

// alignable lists the repeating primitives that the object has, sorted.
func alignable(el *element, obj map[string]any) []string {
	var names []string
	for key, v := range obj {
		name := strings.TrimPrefix(key, "_")
		f := el.fields[name]
		if _, isList := v.([]any); isList && f != nil && f.primitive && f.repeated && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func at(list []any, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}

func orEmpty(v any) any {
	if v == nil {
		return map[string]any{}
	}
	return v
}

// unknown reports a property that R4 does not have there, or refuses when leaving it out could change the meaning.
func (m *mender) unknown(path string, el *element, name string, v any) {
	real := el.lower[strings.ToLower(name)]
	_, isObject := v.(map[string]any)
	switch {
	case real != "" && real != name:
		m.refuse(fault("structure", path, "differs from an R4 element only in capitals", clip(name)))
		return
	case negations[name]:
		m.refuse(fault("not-supported", path, "R4 only: an element that negates the statement and that R4 does not have here", clip(name)))
		return
	case name == "concept" && isObject && (el.owner == "CodeableConcept" || el.owner == "Reference"):
		m.refuse(fault("not-supported", path, "R4 only: a CodeableReference of R5", ""))
		return
	}
	for _, base := range el.choices {
		rest, ok := strings.CutPrefix(name, base)
		if !ok || rest == "" || rest[0] < 'A' || rest[0] > 'Z' {
			continue
		}
		if modifierElements[el.owner+"."+base] || requiredChoice(el, base) {
			m.refuse(fault("structure", path, "not a data type that this element may have", clip(name)))
			return
		}
		m.note(fault("structure", path, "left out: not a data type that this element may have", clip(name)))
		return
	}
	switch {
	case real != "": // an underscore property beside an element that is no primitive
		m.note(lost("structure", path, "unknown field left out", clip("_"+name)))
	case laterElements[el.owner+"."+name], laterElements[el.owner+"."+choiceBase(name)]:
		m.note(fault("not-supported", path, "left out: an element of R5, R4 does not have it here", clip(name)))
	case inSTU3(el.owner, name):
		m.note(fault("not-supported", path, "left out: an element of STU3, R4 does not have it here", clip(name)))
	default:
		m.note(lost("structure", path, "unknown field left out", clip(name)))
	}
}

func requiredChoice(el *element, base string) bool {
	for _, f := range el.fields {
		if f.base == base && f.required {
			return true
		}
	}
	return false
}

// choiceBase cuts the data type from the name of a choice with a frequent type: occurrenceDateTime is occurrence.
func choiceBase(name string) string {
	for _, t := range []string{"DateTime", "Period", "String", "Age", "Range", "Timing", "Boolean", "Reference", "CodeableConcept"} {
		if base, ok := strings.CutSuffix(name, t); ok && base != "" {
			return base
		}
	}
	return name
}

const stu3Package = "google.fhir.stu3.proto."

// inSTU3 says whether STU3 has the element in the same place, by the STU3 protos.
func inSTU3(owner, name string) bool {
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(stu3Package + owner))
	if err != nil {
		return false
	}
	md, ok := d.(protoreflect.MessageDescriptor)
	return ok && elementOf(md).fields[name] != nil
}

// number matches a JSON number.
func number(s string) bool {
	return s != "" && (s[0] == '-' || '0' <= s[0] && s[0] <= '9') && json.Valid([]byte(s))
}
