package pipeline_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

// Short stories of one patient, told in a few lines: the resources that a hurried sender would send, then an MR order
// of the knee. Everything in them is invented.

const ofPatient = `{"reference":"Patient/1"}`

// res is a resource of the type, last updated at noon of the day, with further members; the subject is the patient.
func res(typ, id, day, members string) string {
	who := "subject"
	if typ == "Device" || typ == "AllergyIntolerance" || typ == "Consent" || typ == "BodyStructure" {
		who = "patient"
	}
	meta := ""
	if day != "" {
		meta = fmt.Sprintf(`"meta":{"lastUpdated":"%sT12:00:00Z"},`, day)
	}
	return fmt.Sprintf(`{"resourceType":%q,"id":%q,%s%q:%s,%s}`, typ, id, meta, who, ofPatient, members)
}

func patient1() string {
	return `{"resourceType":"Patient","id":"1","meta":{"lastUpdated":"2024-01-01T12:00:00Z"},"identifier":[{"system":"urn:mrn","value":"S-1"}],` +
		`"name":[{"family":"Invented","given":["Ina"]}],"birthDate":"1961-02-03"}`
}

func kneeOrder() string {
	return res("ServiceRequest", "mr", "2026-05-20", `"status":"active","intent":"order","code":{"text":"MRI knee"},"authoredOn":"2026-05-20","performer":[{"display":"North Imaging"}]`)
}

// device is a labelled Device of the scenario: g a generator, any other id a lead.
func labelled(id string) string {
	what, model := "lead", "TB-L45"
	if id == "g" {
		what, model = "implantable pulse generator", "TB-G210"
	}
	return res("Device", id, "2024-03-11", fmt.Sprintf(`"status":"active","manufacturer":"Tarnbeck Devices","modelNumber":%q,"serialNumber":"SN-%s","type":{"text":%q}`, model, id, what))
}

// acted is a completed Procedure of the day that acts on Devices, with further members.
func acted(id, day, title, action, more string, devices ...string) string {
	var focal []string
	for _, d := range devices {
		focal = append(focal, fmt.Sprintf(`{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":%q}]},"manipulated":{"reference":"Device/%s"}}`, action, d))
	}
	if len(focal) > 0 {
		more += `,"focalDevice":[` + strings.Join(focal, ",") + `]`
	}
	return res("Procedure", id, day, fmt.Sprintf(`"status":"completed","code":{"text":%q},"performedDateTime":%q%s`, title, day, more))
}

// system is a system of a generator and two leads, put in on 11 March 2024.
func system() []string {
	return []string{labelled("g"), labelled("l"), labelled("r"),
		res("DeviceUseStatement", "ul", "2024-03-11", `"status":"active","device":{"reference":"Device/l"},"timingDateTime":"2024-03-11","bodySite":{"text":"left L3"}`),
		res("DeviceUseStatement", "ur", "2024-03-11", `"status":"active","device":{"reference":"Device/r"},"timingDateTime":"2024-03-11","bodySite":{"text":"right L3"}`),
		acted("in", "2024-03-11", "Implantation of lumbar neurostimulation system", "implanted", `,"bodySite":[{"text":"left upper buttock"}]`, "g", "l", "r")}
}

// allOut is the coded removal of the whole system on 10 February 2026.
func allOut(more string) string {
	return acted("out", "2026-02-10", "Explantation of neurostimulation system", "explanted", more, "g", "l", "r")
}

func note(text string) string { return fmt.Sprintf(`,"note":[{"text":%q}]`, text) }

// outcome is what a story leads to.
type outcome struct {
	kind   string // of the verdict
	banner string
	rec    implant.Record
}

func (o outcome) states() string {
	var out []string
	for _, p := range o.rec.Parts {
		name := "-"
		if len(p.Refs) > 0 {
			name = strings.TrimPrefix(p.Refs[0], "hillside|Device/")
		} else {
			name = string(p.Component.Kind)
		}
		out = append(out, name+" "+string(p.State))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func (o outcome) asks(code implant.QuestionCode) bool {
	return slices.ContainsFunc(o.rec.Questions, func(q implant.Question) bool { return q.Code == code })
}

// tellStory sends the resources one by one, between the patient and the order.
func tellStory(t testing.TB, resources ...string) outcome {
	t.Helper()
	w := newWorkbench(t)
	for _, r := range append(append([]string{patient1()}, resources...), kneeOrder()) {
		w.tell(t, resourceMessage("hillside", r))
		w.clock.at = w.clock.at.Add(time.Second)
	}
	var o outcome
	ctx := context.Background()
	err := w.Store.View(ctx, func(r pipeline.Reader) (err error) {
		v, err := r.Verdict(ctx, "hillside|ServiceRequest/mr")
		o.kind = v.Kind
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	rec, _, v, err := w.Explain(ctx, "hillside|Patient/1", "hillside|ServiceRequest/mr")
	if err != nil {
		t.Fatal(err)
	}
	o.rec = rec
	o.banner = banner.Plain(banner.Note{Verdict: v, Record: o.rec, Revision: 1})
	return o
}
