package intake

import (
	"fmt"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/types/known/anypb"
)

// Extensions that are read. Every other one is a finding.
const (
	extTargetBodyStructure = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure"
	extBodySite            = "http://hl7.org/fhir/StructureDefinition/bodySite"
	extImplantStatus       = "http://hl7.org/fhir/StructureDefinition/device-implantStatus"
	extSupportingInfoR5    = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.supportingInfo"
	extNoValue             = "https://g.co/fhir/StructureDefinition/primitiveHasNoValue" // the decoder's own mark
)

// reader reads one resource into one statement.
type reader struct {
	b         *bundle
	it        *Item
	res       resource
	st        implant.Statement
	contained map[string]resource
	// modified says that the resource carries a modifierExtension we do not know: its plain meaning may be
	// turned round, so nothing that removes a part is believed.
	modified bool
	rest     string           // words of a note that speak of something left in and that no finding accounts for
	fates    []opnote.Finding // what the prose says became of parts of known kind, other than that they came out
}

// loadContained opens the contained resources.
func (r *reader) loadContained() {
	list := r.res.GetContained()
	if len(list) == 0 {
		return
	}
	r.contained = map[string]resource{}
	for i, a := range list {
		path := fmt.Sprintf("%s.contained[%d]", r.st.Type, i)
		if i >= maxContained {
			r.finding("warning", "too-long", path, "more contained resources than are read", "")
			return
		}
		c := opened(a)
		res := unwrap(c)
		id := ""
		if res != nil {
			id = res.GetId().GetValue()
		}
		if res == nil || id == "" {
			r.finding("warning", "structure", path, "a contained resource cannot be read", "")
			continue
		}
		r.contained[id] = res
		switch x := c.GetOneofResource().(type) {
		case *r4pb.ContainedResource_Device:
			r.describe(x.Device, r.st.Key+"#"+id, path)
		case *r4pb.ContainedResource_Procedure, *r4pb.ContainedResource_DeviceUseStatement, *r4pb.ContainedResource_DocumentReference:
			r.finding("warning", "not-supported", path, "a contained "+typeName(res)+" is not read for itself", id)
		}
	}
}

// opened takes a contained resource out of its wrapping; nil when it cannot be read.
func opened(a *anypb.Any) *r4pb.ContainedResource {
	c := &r4pb.ContainedResource{}
	if a.UnmarshalTo(c) != nil {
		return nil
	}
	return c
}

// extensions reports extensions that are not read. One that modifies makes the whole resource doubtful.
func (r *reader) extensions(path string, plain, modifier []*dpb.Extension) {
	for i, e := range plain {
		switch e.GetUrl().GetValue() {
		case extTargetBodyStructure, extBodySite, extImplantStatus, extSupportingInfoR5, extNoValue:
		default:
			r.finding("information", "extension", fmt.Sprintf("%s.extension[%d]", path, i), "an extension is kept and not read", e.GetUrl().GetValue())
		}
	}
	for i, e := range modifier {
		r.modified = true
		at := fmt.Sprintf("%s.modifierExtension[%d]", path, i)
		r.finding("warning", "extension", at, "an extension that modifies the meaning is not understood", e.GetUrl().GetValue())
		r.doubt(implant.AskCodeUnknown, implant.Component{}, at, e.GetUrl().GetValue())
	}
}

func (r *reader) src(path, quote string) implant.Source {
	return implant.Source{Key: r.st.Key, Version: r.st.Version.ID, Path: path, Quote: clip(quote)}
}

// fact adds a coded fact.
func (r *reader) fact(f implant.Fact, path, quote string) {
	f.Source = r.src(path, quote)
	if f.Basis == "" {
		f.Basis = implant.Coded
	}
	r.st.Facts = append(r.st.Facts, f)
}

func (r *reader) doubt(q implant.QuestionCode, c implant.Component, path, quote string) {
	r.fact(implant.Fact{Kind: implant.Doubt, Value: string(q), Component: c}, path, quote)
}

func (r *reader) finding(severity, code, path, text, words string) {
	if len(r.st.Findings) == maxFindings {
		return
	}
	r.st.Findings = append(r.st.Findings, implant.Finding{Severity: severity, Code: code, Path: path, Text: text, Words: clip(words)})
}

// component is what a reference to a Device says of it.
func component(d ref) implant.Component {
	return implant.Component{Ref: d.key, Words: d.display}
}

// sites reads the site of a resource from its body site concepts and the BodyStructures it points at.
func (r *reader) sites(path string, concepts []*dpb.CodeableConcept, exts []*dpb.Extension) implant.Site {
	var all []implant.Site
	for _, c := range concepts {
		all = append(all, r.site(path, c))
	}
	for _, e := range exts {
		switch e.GetUrl().GetValue() {
		case extTargetBodyStructure, extBodySite:
			if s, ok := r.structureSite(e.GetValue().GetReference()); ok {
				all = append(all, s)
			}
		}
	}
	out, conflicts := codes.MergeSites(all...)
	if len(conflicts) > 0 {
		r.finding("information", "multiple-matches", path, "several sites are named and which part lies where is not said: "+strings.Join(conflicts, ", "), out.Words)
	}
	return out
}

// site reads one body site concept: codings, their displays and the text together.
func (r *reader) site(path string, c *dpb.CodeableConcept) implant.Site {
	codings, text := concept(c)
	var all []implant.Site
	known := false
	for _, cd := range codings {
		if s, ok := codes.BodySite(cd); ok {
			all, known = append(all, s), true
		}
		if cd.Display != "" {
			all = append(all, codes.SiteText(cd.Display))
		}
	}
	if text != "" {
		all = append(all, codes.SiteText(text))
	}
	for _, cd := range codings {
		if !known && cd.Display == "" && text == "" && cd.Code != "" {
			all = append(all, implant.Site{Words: cd.System + "|" + cd.Code})
		}
	}
	out, conflicts := codes.MergeSites(all...)
	for _, what := range conflicts {
		if what == "region" {
			continue // a display and a text may be of different width
		}
		q := implant.AskSideConflict
		if what == "level" {
			q = implant.AskLevelConflict
		}
		r.doubt(q, implant.Component{}, path, out.Words)
	}
	return out
}

// structureSite gives the site of a BodyStructure that is contained or in the same message, and mentions it.
func (r *reader) structureSite(rf *dpb.Reference) (implant.Site, bool) {
	d := r.resolve(rf, "BodyStructure")
	r.mention(d.key)
	res := r.contained[strings.TrimPrefix(d.key, r.st.Key+"#")]
	if res == nil {
		if it := r.b.items[d.key]; it != nil {
			res = unwrap(it.Resource)
		}
	}
	if bs, ok := res.(bodyStructure); ok {
		return r.siteOfStructure(bs), true
	}
	if d.display != "" {
		return codes.SiteText(d.display), true
	}
	return implant.Site{}, false
}

// bodyStructure is a BodyStructure resource.
type bodyStructure interface {
	GetLocation() *dpb.CodeableConcept
	GetLocationQualifier() []*dpb.CodeableConcept
	GetDescription() *dpb.String
}

func (r *reader) siteOfStructure(bs bodyStructure) implant.Site {
	all := []implant.Site{r.site("BodyStructure.location", bs.GetLocation())}
	for _, q := range bs.GetLocationQualifier() {
		all = append(all, r.site("BodyStructure.locationQualifier", q))
	}
	if d := strings.TrimSpace(bs.GetDescription().GetValue()); d != "" {
		all = append(all, codes.SiteText(d))
	}
	out, _ := codes.MergeSites(all...)
	return out
}
