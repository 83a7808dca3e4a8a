package intake

import (
	"strings"
	"testing"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

func device(more string) string {
	return `{"resourceType":"Device","id":"d",` + more + `}`
}

func TestDeviceIdentity(t *testing.T) {
	// The makers and models are invented. The GTIN is the example of HL7's device-example-udi1.
	s := readOne(t, device(`"status":"active","patient":{"reference":"Patient/p"},"parent":{"reference":"Device/sys"},
		"manufacturer":"Tarnbeck Devices","modelNumber":"TB-20","serialNumber":"SN7","lotNumber":"L1","expirationDate":"2027-04","manufactureDate":"2024-01-02",
		"deviceName":[{"name":"TB long name","type":"manufacturer-name"},{"name":"back stimulator","type":"user-friendly-name"}],
		"type":{"text":"Implantable pulse generator"}`))
	want := implant.Component{Ref: "ehr|Device/d", Kind: implant.Generator, Words: "Implantable pulse generator", Maker: "Tarnbeck Devices",
		Model: "TB-20", Name: "back stimulator", Serial: "SN7", Lot: "L1", Expiry: "2027-04", Made: "2024-01-02", Parent: "ehr|Device/sys"}
	if got := one(t, s, implant.Described).Component; got != want {
		t.Errorf("%+v\nwant %+v", got, want)
	}
	if s.Patient != "ehr|Patient/p" || strings.Join(s.Mentions, " ") != "ehr|Device/sys" {
		t.Errorf("%q %v", s.Patient, s.Mentions)
	}
	one(t, s, implant.PresentByWord)
}

func TestDeviceStatus(t *testing.T) {
	// Source: FHIR R4 device-status: for implants active is in the patient, inactive has been removed.
	const pat = `,"patient":{"reference":"Patient/p"}`
	for more, want := range map[string]implant.FactKind{
		`"status":"active"` + pat: implant.PresentByWord, `"status":"active"`: "", `"status":"inactive"` + pat: implant.ReportedGone,
		`"status":"unknown"` + pat: "", `"lotNumber":"1"` + pat: "",
	} {
		s := readOne(t, device(more))
		var got implant.FactKind
		for _, f := range s.Facts {
			if f.Kind == implant.PresentByWord || f.Kind == implant.ReportedGone || f.Kind == implant.Removed {
				got = f.Kind
			}
		}
		if got != want {
			t.Errorf("%s: %q, want %q", more, got, want)
		}
	}
	if s := readOne(t, device(`"status":"entered-in-error"`+pat)); !s.Void || len(s.Facts) > 0 || s.Patient == "" {
		t.Errorf("%+v", s)
	}
	s := readOne(t, device(`"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/device-implantStatus","valueCode":"non-functional"}],"status":"active"`+pat))
	if f := one(t, s, implant.Function); f.Value != "non-functional" || len(s.Findings) > 0 {
		t.Errorf("%+v %+v", f, s.Findings)
	}
}

func TestDeviceCarriers(t *testing.T) {
	// (01)00844588003288 is the GTIN of the FHIR example device-example-udi1; its check digit is right.
	const hrf = `(01)00844588003288(17)141120(10)7654D(21)10987654d321`
	s := readOne(t, device(`"udiCarrier":[{"deviceIdentifier":"00844588003288","carrierHRF":"`+hrf+`"}]`))
	c := one(t, s, implant.Described).Component
	if c.DI != "00844588003288" || c.Serial != "10987654d321" || c.Lot != "7654D" || c.Expiry != "2014-11-20" || c.UDI != hrf || len(doubts(s)) > 0 {
		t.Errorf("%+v %v", c, doubts(s))
	}
	for name, tc := range map[string]struct {
		more  string
		doubt implant.QuestionCode
		words string
	}{
		"serial differs":          {`"serialNumber":"OTHER","udiCarrier":[{"carrierHRF":"` + hrf + `"}]`, implant.AskIdentityConflict, "serial"},
		"lot differs":             {`"lotNumber":"OTHER","udiCarrier":[{"carrierHRF":"` + hrf + `"}]`, implant.AskIdentityConflict, "lot"},
		"expiry differs":          {`"expirationDate":"2015-01","udiCarrier":[{"carrierHRF":"` + hrf + `"}]`, implant.AskIdentityConflict, "expiry"},
		"DI differs from carrier": {`"udiCarrier":[{"deviceIdentifier":"10857674002017","carrierHRF":"` + hrf + `"}]`, implant.AskIdentityConflict, "device identifier"},
		"check digit wrong":       {`"udiCarrier":[{"carrierHRF":"(01)00844588003280(21)5"}]`, implant.AskIdentityDoubtful, "00844588003280"},
		"twelve digits":           {`"udiCarrier":[{"carrierHRF":"(01)987979879879(21)5"}]`, implant.AskIdentityDoubtful, "987979879879"},
		"not a carrier":           {`"udiCarrier":[{"carrierHRF":"hello"}]`, implant.AskIdentityDoubtful, "hello"},
	} {
		s := readOne(t, device(tc.more))
		found := false
		for _, f := range facts(s, implant.Doubt) {
			found = found || f.Value == string(tc.doubt) && strings.Contains(f.Source.Quote, tc.words)
		}
		if !found || one(t, s, implant.Described).Component.UDI == "" {
			t.Errorf("%s: %+v", name, s.Facts)
		}
	}
	same := readOne(t, device(`"serialNumber":"10987654d321","expirationDate":"2014-11","udiCarrier":[{"carrierHRF":"`+hrf+`"}]`))
	if len(doubts(same)) > 0 {
		t.Errorf("fields that agree: %v", doubts(same))
	}
}

func TestDeviceSafety(t *testing.T) {
	// Source: FHIR R4 ValueSet-device-safety; system URIs from v3-nciThesaurus.
	const oid, owl = "urn:oid:2.16.840.1.113883.3.26.1.1", "http://ncicb.nci.nih.gov/xml/owl/EVS/Thesaurus.owl"
	for name, tc := range map[string]struct {
		safety string
		labels string
		doubt  implant.QuestionCode
	}{
		"conditional":             {coded(oid, "C106046"), "MR Conditional", ""},
		"unsafe, current system":  {coded(owl, "C106047"), "MR Unsafe", ""},
		"silent":                  {coded(oid, "C113844"), string(implant.LabelSilent), ""},
		"latex only":              {coded(oid, "C106038"), "", ""},
		"latex and conditional":   {coded(oid, "C101673") + "," + coded(owl, "C106046"), "MR Conditional", ""},
		"two that contradict":     {coded(oid, "C106045") + "," + coded(owl, "C106047"), "MR Safe,MR Unsafe", ""},
		"text safe":               {`{"text":"MR safe"}`, "", implant.AskLabelOldWords},
		"text compatible":         {`{"text":"MRI compatible"}`, "", implant.AskLabelOldWords},
		"text unsafe":             {`{"text":"MR Unsafe"}`, "MR Unsafe", ""},
		"safe code, unsafe words": {`{"coding":[{"system":"` + oid + `","code":"C106045"}],"text":"not MR safe"}`, "MR Safe,MR Unsafe", ""},
		"local code":              {coded("http://example.org/s", "9"), "", ""},
	} {
		s := readOne(t, device(`"safety":[`+tc.safety+`]`))
		var labels []string
		for _, f := range facts(s, implant.MRLabel) {
			labels = append(labels, f.Value)
			if f.Component.Ref != "ehr|Device/d" {
				t.Errorf("%s: %+v", name, f.Component)
			}
		}
		if got := strings.Join(labels, ","); got != tc.labels {
			t.Errorf("%s: %q, want %q", name, got, tc.labels)
		}
		if ds := doubts(s); tc.doubt == "" && len(ds) > 0 || tc.doubt != "" && (len(ds) != 1 || ds[0] != tc.doubt) {
			t.Errorf("%s: doubts %v, want %q", name, ds, tc.doubt)
		}
	}
}

func TestDeviceKindConflict(t *testing.T) {
	s := readOne(t, device(`"type":{"coding":[{"system":"http://snomed.info/sct","code":"360129009"}],"text":"pulse generator"}`))
	if c := one(t, s, implant.Described).Component; c.Kind != implant.Unidentified || !hasDoubt(s, implant.AskIdentityConflict) {
		t.Errorf("%+v %v", c, doubts(s))
	}
	s = readOne(t, device(`"type":{"coding":[{"system":"http://snomed.info/sct","code":"14106009"}],"text":"pacemaker lead"}`))
	if c := one(t, s, implant.Described).Component; c.Kind != implant.Lead || len(doubts(s)) > 0 {
		t.Errorf("%+v %v", c, doubts(s))
	}
}

func TestUseStatement(t *testing.T) {
	// Source: FHIR R4 device-statement-status; a status of use is second-hand and proves no removal.
	for status, want := range map[string]implant.FactKind{"active": implant.PresentByWord, "on-hold": implant.PresentByWord,
		"completed": implant.ReportedGone, "stopped": implant.ReportedGone, "intended": implant.Planned} {
		s := readOne(t, `{"resourceType":"DeviceUseStatement","id":"u","status":"`+status+`","subject":{"reference":"Patient/p"},
			"device":{"reference":"Device/d"},"timingPeriod":{"start":"2024-01-01"},"bodySite":{"text":"right buttock"}}`)
		f := s.Facts[0]
		if f.Kind != want || f.Component.Ref != "ehr|Device/d" || f.At != "2024-01-01" || f.Site.Region != codes.Buttock {
			t.Errorf("%s: %+v", status, f)
		}
		if (len(facts(s, implant.Located)) == 1) != (status != "intended") {
			t.Errorf("%s: %+v", status, s.Facts)
		}
	}
	if s := readOne(t, `{"resourceType":"DeviceUseStatement","id":"u","status":"entered-in-error","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"}}`); !s.Void {
		t.Errorf("%+v", s)
	}
}

func TestDeviceIdentifiers(t *testing.T) {
	// Source: FHIR R4 CodeSystem-v2-0203: SNO is a serial number, UDI a universal device identifier.
	typ := func(code, value string) string {
		return `{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"` + code + `"}]},"value":"` + value + `"}`
	}
	s := readOne(t, device(`"identifier":[`+typ("SNO", "S9")+`,`+typ("UDI", "(01)00844588003288(10)L4")+`,{"system":"urn:asset","value":"3"}]`))
	c := one(t, s, implant.Described).Component
	if c.Serial != "S9" || c.Lot != "L4" || c.DI != "00844588003288" || len(doubts(s)) > 0 {
		t.Errorf("%+v %v", c, doubts(s))
	}
	if len(s.Findings) != 1 || s.Findings[0].Words != "urn:asset|3" {
		t.Errorf("%+v", s.Findings)
	}
	if s := readOne(t, device(`"serialNumber":"S8","identifier":[`+typ("SNO", "S9")+`]`)); !hasDoubt(s, implant.AskIdentityConflict) {
		t.Errorf("%+v", s.Facts)
	}
}
