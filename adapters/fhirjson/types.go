package fhirjson

import (
	"regexp"
	"strings"

	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	r3pb "github.com/google/fhir/go/proto/google/fhir/proto/stu3/resources_go_proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"gaussline/mapping/implant"
)

// r4Types are the resource types of R4, stu3Types those of STU3, from the protos' own lists.
var (
	r4Types   = resourceTypes((&r4pb.ContainedResource{}).ProtoReflect().Descriptor())
	stu3Types = resourceTypes((&r3pb.ContainedResource{}).ProtoReflect().Descriptor())
)

func resourceTypes(d protoreflect.MessageDescriptor) map[string]protoreflect.MessageDescriptor {
	out := map[string]protoreflect.MessageDescriptor{}
	fields := d.Fields()
	for i := range fields.Len() {
		if m := fields.Get(i).Message(); m != nil {
			out[string(m.Name())] = m
		}
	}
	return out
}

// laterTypes are resource types that came with R4B or R5 (from memory of their resource lists; it only changes
// the wording of the refusal).
var laterTypes = map[string]bool{
	"ActorDefinition": true, "AdministrableProductDefinition": true, "ArtifactAssessment": true,
	"BiologicallyDerivedProductDispense": true, "Citation": true, "ClinicalUseDefinition": true,
	"ConditionDefinition": true, "DeviceAssociation": true, "DeviceDispense": true, "DeviceUsage": true,
	"EncounterHistory": true, "EvidenceReport": true, "FormularyItem": true, "GenomicStudy": true,
	"ImagingSelection": true, "Ingredient": true, "InventoryItem": true, "InventoryReport": true,
	"ManufacturedItemDefinition": true, "MedicinalProductDefinition": true, "NutritionIntake": true,
	"NutritionProduct": true, "PackagedProductDefinition": true, "Permission": true, "RegulatedAuthorization": true,
	"Requirements": true, "SubscriptionStatus": true, "SubscriptionTopic": true, "SubstanceDefinition": true,
	"TestPlan": true, "Transport": true,
}

// typeFault says why a resource type cannot be read; ok is false when it can. at is the path of the resource in the
// message, "" for the message itself: an unknown type is no path that anybody could follow.
func typeFault(typ, at string) (f implant.Finding, ok bool) {
	path := "resourceType"
	if at != "" {
		path = at + ".resourceType"
	}
	switch {
	case typ == "":
		return fault("structure", path, "this element is required and missing", ""), true
	case r4Types[typ] != nil:
		return f, false
	case stu3Types[typ] != nil:
		return fault("not-supported", path, "R4 only: a resource type of STU3", clip(typ)), true
	case laterTypes[typ]:
		return fault("not-supported", path, "R4 only: a resource type of R4B or R5", clip(typ)), true
	}
	return fault("not-supported", path, "unknown resource type", clip(typ)), true
}

// versionInPath is a FHIR version as it stands in canonical URLs: "5.0", "3.0".
var versionInPath = regexp.MustCompile(`^[0-9]+\.[0-9]+$`)

// coreProfile is how the canonical URL of a core profile of any version starts.
const coreProfile = "http://hl7.org/fhir/"

// otherVersionProfile says whether a profile is a core profile of a version that is not R4: one with the version
// in the path ("http://hl7.org/fhir/5.0/StructureDefinition/Patient") or after a bar.
func otherVersionProfile(url string) bool {
	rest, ok := strings.CutPrefix(url, coreProfile)
	if !ok {
		return false
	}
	name, version, _ := strings.Cut(rest, "|")
	if first, _, found := strings.Cut(name, "/StructureDefinition/"); found {
		if !versionInPath.MatchString(first) {
			return false // of an implementation guide
		}
		version = first
	} else if !strings.HasPrefix(name, "StructureDefinition/") {
		return false
	}
	return version != "" && !strings.HasPrefix(version, "4.")
}
