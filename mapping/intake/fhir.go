package intake

import (
	"strings"
	"time"
	"unicode/utf8"

	"gaussline/mapping/implant"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"
)

const enteredInError = "entered-in-error"

// resource is what every R4 domain resource has.
type resource interface {
	proto.Message
	GetId() *dpb.Id
	GetMeta() *dpb.Meta
	GetText() *dpb.Narrative
	GetContained() []*anypb.Any
	GetExtension() []*dpb.Extension
	GetModifierExtension() []*dpb.Extension
}

// unwrap takes the resource out of its container; nil when it is empty or no domain resource.
func unwrap(c *r4pb.ContainedResource) resource {
	if c == nil {
		return nil
	}
	m := c.ProtoReflect()
	fd := m.WhichOneof(m.Descriptor().Oneofs().ByName("oneof_resource"))
	if fd == nil {
		return nil
	}
	res, _ := m.Get(fd).Message().Interface().(resource)
	return res
}

func typeName(res resource) string {
	if res == nil {
		return ""
	}
	return string(res.ProtoReflect().Descriptor().Name())
}

// referenceText gives the text of a Reference as it was in JSON; a fragment comes without its "#".
func referenceText(rf *dpb.Reference) (s string, fragment bool) {
	if rf == nil {
		return "", false
	}
	switch x := rf.GetReference().(type) {
	case nil:
		return "", false
	case *dpb.Reference_Uri:
		s = x.Uri.GetValue()
		if strings.HasPrefix(s, "#") {
			return s[1:], true
		}
		return s, false
	case *dpb.Reference_Fragment:
		return x.Fragment.GetValue(), true
	case *dpb.Reference_PatientId:
		return "Patient/" + x.PatientId.GetValue(), false
	case *dpb.Reference_DeviceId:
		return "Device/" + x.DeviceId.GetValue(), false
	}
	m := rf.ProtoReflect()
	fd := m.WhichOneof(m.Descriptor().Oneofs().ByName("reference"))
	id, ok := m.Get(fd).Message().Interface().(*dpb.ReferenceId)
	if !ok {
		return "", false
	}
	return typeFromField(fd) + "/" + id.GetValue(), false
}

// typeFromField makes "ServiceRequest" of the field "service_request_id".
func typeFromField(fd protoreflect.FieldDescriptor) string {
	var out strings.Builder
	for _, part := range strings.Split(strings.TrimSuffix(string(fd.Name()), "_id"), "_") {
		if part != "" {
			out.WriteString(strings.ToUpper(part[:1]) + part[1:])
		}
	}
	return out.String()
}

// codeOf gives the FHIR code of an enumeration value: "ENTERED_IN_ERROR" is "entered-in-error".
func codeOf(v interface{ String() string }) string {
	s := v.String()
	if s == "INVALID_UNINITIALIZED" {
		return ""
	}
	return strings.ToLower(strings.ReplaceAll(s, "_", "-"))
}

// concept takes a CodeableConcept apart.
func concept(c *dpb.CodeableConcept) (codings []implant.Code, text string) {
	for _, cd := range c.GetCoding() {
		codings = append(codings, coding(cd))
	}
	return codings, strings.TrimSpace(c.GetText().GetValue())
}

func codingsOf(c *dpb.CodeableConcept) []implant.Code {
	codings, _ := concept(c)
	return codings
}

func coding(c *dpb.Coding) implant.Code {
	return implant.Code{System: strings.TrimSpace(c.GetSystem().GetValue()), Code: strings.TrimSpace(c.GetCode().GetValue()),
		Display: strings.TrimSpace(c.GetDisplay().GetValue())}
}

// label is the words to quote for a concept: its text, else the first display, else the first code.
func label(c *dpb.CodeableConcept) string {
	codings, text := concept(c)
	if text != "" {
		return text
	}
	for _, cd := range codings {
		if cd.Display != "" {
			return cd.Display
		}
	}
	for _, cd := range codings {
		if cd.Code != "" {
			return cd.System + "|" + cd.Code
		}
	}
	return ""
}

func identifiers(list []*dpb.Identifier) []implant.Identifier {
	var out []implant.Identifier
	for _, i := range list {
		id := implant.Identifier{System: strings.TrimSpace(i.GetSystem().GetValue()), Value: strings.TrimSpace(i.GetValue().GetValue())}
		if id.Value == "" {
			continue
		}
		id.Use = codeOf(i.GetUse().GetValue())
		for _, c := range i.GetType().GetCoding() {
			if strings.Contains(c.GetSystem().GetValue(), "v2-0203") || strings.HasSuffix(c.GetSystem().GetValue(), "v2/0203") {
				id.Type = c.GetCode().GetValue()
			}
		}
		out = append(out, id)
	}
	return out
}

// dateTime gives a dateTime with its precision. A year, month or day is the one that was written, whatever the
// zone the decoder put it in.
func dateTime(d *dpb.DateTime) implant.When {
	switch d.GetPrecision() {
	case dpb.DateTime_YEAR:
		return day(d.GetValueUs(), d.GetTimezone(), "2006")
	case dpb.DateTime_MONTH:
		return day(d.GetValueUs(), d.GetTimezone(), "2006-01")
	case dpb.DateTime_DAY:
		return day(d.GetValueUs(), d.GetTimezone(), time.DateOnly)
	case dpb.DateTime_SECOND, dpb.DateTime_MILLISECOND, dpb.DateTime_MICROSECOND:
		return implant.Instant(time.UnixMicro(d.GetValueUs()))
	}
	return ""
}

func date(d *dpb.Date) implant.When {
	switch d.GetPrecision() {
	case dpb.Date_YEAR:
		return day(d.GetValueUs(), d.GetTimezone(), "2006")
	case dpb.Date_MONTH:
		return day(d.GetValueUs(), d.GetTimezone(), "2006-01")
	case dpb.Date_DAY:
		return day(d.GetValueUs(), d.GetTimezone(), time.DateOnly)
	}
	return ""
}

func instant(i *dpb.Instant) implant.When {
	if i.GetPrecision() == dpb.Instant_PRECISION_UNSPECIFIED {
		return ""
	}
	return implant.Instant(time.UnixMicro(i.GetValueUs()))
}

func day(us int64, zone, layout string) implant.When {
	t := time.UnixMicro(us).UTC()
	if z, err := time.Parse("-07:00", zone); err == nil {
		t = t.In(z.Location())
	}
	return implant.When(t.Format(layout))
}

// period gives a Period; ok is false when it ends before it starts, or says nothing.
func period(p *dpb.Period) (w implant.When, ok bool) {
	start, end := dateTime(p.GetStart()), dateTime(p.GetEnd())
	switch {
	case start == "" && end == "":
		return "", false
	case end == "":
		return start, true
	case start == "" || start == end:
		return end, true
	case end.Before(start):
		return "", false
	}
	return start + "/" + end, true
}

// clip cuts a quote to the length that is kept.
func clip(s string) string {
	if len(s) <= maxQuote {
		return s
	}
	cut := maxQuote
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}
