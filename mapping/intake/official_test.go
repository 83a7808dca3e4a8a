package intake

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// Every official R4 example of the types we read (npm hl7.fhir.r4.examples@4.0.1, CC0) gives a statement; only
// Procedure-example-implant puts a device in by focalDevice, and none takes one out. No order among them is for
// an MR examination (looked through).
func TestOfficialExamples(t *testing.T) {
	files, err := filepath.Glob("../../testdata/fhir/r4-examples/*.json")
	if err != nil || len(files) < 100 {
		t.Fatalf("%d example files, %v", len(files), err)
	}
	n := 0
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".json")
		typ, _, _ := strings.Cut(name, "-")
		if !Reads(typ) {
			continue
		}
		raw, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		it, err := item(string(raw))
		if err != nil {
			t.Logf("%s: refused by the decoder: %v", name, err)
			continue
		}
		n++
		out := Read(Envelope{Sender: "ehr"}, []Item{it})
		if len(out) != 1 || !strings.HasPrefix(out[0].Key, "ehr|"+typ+"/") {
			t.Errorf("%s: %+v", name, out)
			continue
		}
		checkExample(t, name, out[0])
	}
	if n < 60 {
		t.Errorf("only %d examples were read", n)
	}
}

func checkExample(t *testing.T, name string, s implant.Statement) {
	for _, f := range s.Facts {
		byFocal := f.Kind == implant.Implanted && strings.Contains(f.Source.Path, "focalDevice")
		if byFocal != (name == "Procedure-example-implant" && byFocal) || f.Kind == implant.Removed {
			t.Errorf("%s: %+v", name, f)
		}
	}
	if name == "Procedure-example-implant" {
		if f := one(t, s, implant.Implanted); f.Component.Ref != "ehr|Device/example-pacemaker" || f.At != "2015-04-05" {
			t.Errorf("%+v", f)
		}
	}
	if s.Referral != nil && s.Referral.MR != implant.No {
		t.Errorf("%s: MR %s (%s)", name, s.Referral.MR, s.Referral.MRWhy)
	}
}

func FuzzRead(f *testing.F) {
	for _, p := range []string{"Procedure-example-implant", "ServiceRequest-di", "Device-f001", "DeviceUseStatement-example",
		"Patient-example", "DocumentReference-example", "Composition-example", "DiagnosticReport-f201", "BodyStructure-tumor"} {
		if raw, err := os.ReadFile("../../testdata/fhir/r4-examples/" + p + ".json"); err == nil {
			f.Add(string(raw), "https://ehr.example/fhir/Procedure/1", "PUT", "Procedure/1", "Patient/1")
		}
	}
	f.Add(proc("completed", focal(coded("http://hl7.org/fhir/device-action", "explanted"))), "urn:uuid:1", "", "", "#x")
	f.Fuzz(func(t *testing.T, raw, fullURL, method, url, ref string) {
		it, err := item(raw)
		if err != nil && it.Resource == nil {
			it = Item{Type: it.Type, ID: it.ID}
		}
		it.FullURL, it.Method, it.URL = fullURL, method, url
		env := Envelope{Sender: "ehr", Base: "https://ehr.example/fhir"}
		a, b := Read(env, []Item{it}), Read(env, []Item{it})
		if !equalSets(a, b) {
			t.Fatal("two readings differ")
		}
		PatientKey(env, ref)
	})
}
