package fhirjson

import (
	"strings"
	"sync"

	apb "github.com/google/fhir/go/proto/google/fhir/proto/annotations_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// field is what the R4 protos say of one JSON property.
type field struct {
	name      string // JSON name, without underscore
	owner     string // "Patient", "Procedure.FocalDevice"
	base      string // of a choice: "value" of valueString; else name
	msg       protoreflect.MessageDescriptor
	repeated  bool
	primitive bool
	required  bool
	targets   []string // of a reference; nil when anything goes
	codes     *codeSet // of a code with a required binding
	kind      string   // of a primitive: Code, Date, String, ...
	resource  bool     // the value is a whole resource
}

// modifier says whether the element can change the meaning of what it stands in.
func (f *field) modifier() bool { return modifierElements[f.owner+"."+f.base] }

// codeSet is the codes of a required binding.
type codeSet struct {
	exact map[string]bool
	loose map[string]string // upper case, '-' as '_' -> code
}

// element is the properties of one message type by JSON name, and the bases of its choices.
type element struct {
	owner   string
	fields  map[string]*field
	choices []string
	lower   map[string]string // lower-case name -> name
}

var elements4 sync.Map // protoreflect.FullName -> *element

// elementOf describes a message type of the R4 protos. It is built once per type.
func elementOf(d protoreflect.MessageDescriptor) *element {
	if e, ok := elements4.Load(d.FullName()); ok {
		return e.(*element)
	}
	e, _ := elements4.LoadOrStore(d.FullName(), buildElement(d))
	return e.(*element)
}

const r4Package = "google.fhir.r4.core."

func buildElement(d protoreflect.MessageDescriptor) *element {
	e := &element{owner: strings.TrimPrefix(string(d.FullName()), r4Package), fields: map[string]*field{}, lower: map[string]string{}}
	fs := d.Fields()
	for i := range fs.Len() {
		fd := fs.Get(i)
		m := fd.Message()
		switch {
		case m == nil:
			continue // the value of a primitive
		case proto.HasExtension(m.Options(), apb.E_IsChoiceType):
			e.choices = append(e.choices, fd.JSONName())
			arms := m.Fields()
			for j := range arms.Len() {
				arm := arms.Get(j)
				name := fd.JSONName() + strings.ToUpper(arm.JSONName()[:1]) + arm.JSONName()[1:]
				f := newField(e.owner, name, arm)
				f.base, f.required = fd.JSONName(), requiredField(fd)
				e.fields[name] = f
			}
		case e.owner == "Reference" && fd.ContainingOneof() != nil:
			if fd.JSONName() == "reference" || fd.Name() == "uri" {
				f := newField(e.owner, "reference", fd)
				e.fields["reference"] = f
			}
		default:
			e.fields[fd.JSONName()] = newField(e.owner, fd.JSONName(), fd)
		}
	}
	for name := range e.fields {
		e.lower[strings.ToLower(name)] = name
	}
	return e
}

func newField(owner, name string, fd protoreflect.FieldDescriptor) *field {
	m := fd.Message()
	kind, _ := proto.GetExtension(m.Options(), apb.E_StructureDefinitionKind).(apb.StructureDefinitionKindValue)
	f := &field{name: name, base: name, owner: owner, msg: m, repeated: fd.Cardinality() == protoreflect.Repeated,
		required:  requiredField(fd),
		primitive: kind == apb.StructureDefinitionKindValue_KIND_PRIMITIVE_TYPE,
		kind:      string(m.Name()),
		resource:  m.FullName() == "google.protobuf.Any" || m.FullName() == r4Package+"ContainedResource",
	}
	if f.kind == "Reference" {
		f.targets, _ = proto.GetExtension(fd.Options(), apb.E_ValidReferenceType).([]string)
	}
	if f.primitive {
		f.codes = codeSetOf(m)
	}
	return f
}

func requiredField(fd protoreflect.FieldDescriptor) bool {
	r, _ := proto.GetExtension(fd.Options(), apb.E_ValidationRequirement).(apb.Requirement)
	return r == apb.Requirement_REQUIRED_BY_FHIR
}

// codeSetOf gives the codes of a message that holds a code with a required binding, nil for any other.
func codeSetOf(m protoreflect.MessageDescriptor) *codeSet {
	v := m.Fields().ByName("value")
	if v == nil || v.Kind() != protoreflect.EnumKind {
		return nil
	}
	cs := &codeSet{exact: map[string]bool{}, loose: map[string]string{}}
	values := v.Enum().Values()
	for i := range values.Len() {
		ev := values.Get(i)
		if ev.Number() == 0 {
			continue // the protos' "not set"
		}
		code, _ := proto.GetExtension(ev.Options(), apb.E_FhirOriginalCode).(string)
		if code == "" {
			code = strings.ReplaceAll(strings.ToLower(string(ev.Name())), "_", "-")
		}
		cs.exact[code] = true
		cs.loose[strings.ToUpper(strings.ReplaceAll(code, "-", "_"))] = code
		cs.loose[string(ev.Name())] = code
	}
	return cs
}

// match finds the code that s is, or is in another case. exact is false when it had to be brought into form.
func (cs *codeSet) match(s string) (code string, exact, ok bool) {
	if cs.exact[s] {
		return s, true, true
	}
	code, ok = cs.loose[strings.ToUpper(strings.ReplaceAll(strings.TrimSpace(s), "-", "_"))]
	return code, false, ok
}
