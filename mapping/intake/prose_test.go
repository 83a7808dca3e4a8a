package intake

import (
	"strings"
	"testing"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// The sentences are ours; that a lead left behind must not vanish is the house rule.
func TestProcedureNoteIsRead(t *testing.T) {
	note := "The pulse generator was removed. Both leads were capped and left in place."
	s := readOne(t, proc("completed", `"performedDateTime":"2024-05-03","code":{"text":"Generator explant"},"note":[{"text":"`+note+`"}]`))
	capped := facts(s, implant.WasCapped)
	if len(capped) == 0 {
		t.Fatalf("%+v", s.Facts)
	}
	for _, f := range capped {
		if f.Basis != implant.Read || f.Component.Kind != implant.Lead || f.At != "2024-05-03" || f.Source.Path != "Procedure.note[0].text" ||
			f.Source.Start >= f.Source.End || note[f.Source.Start:f.Source.End] != f.Source.Quote {
			t.Errorf("%+v", f)
		}
	}
	for _, f := range facts(s, implant.Removed) {
		if f.Value == "whole" {
			t.Errorf("removed whole by the word alone: %+v", f)
		}
	}
	if hasDoubt(s, implant.AskNoteUnread) {
		t.Error("a note that was read is asked about as unread")
	}
}

func TestNoteOfAStoppedProcedureIsDoubted(t *testing.T) {
	s := readOne(t, proc("stopped", `"note":[{"text":"The left lead was removed in toto with its tip intact."}]`))
	if !hasDoubt(s, implant.AskNotDone) {
		t.Errorf("%+v", s.Facts)
	}
	for _, f := range s.Facts {
		if f.Basis == implant.Read && f.Kind != implant.Doubt && (f.Certainty != implant.Possible || f.Value == "whole") {
			t.Errorf("%+v", f)
		}
	}
}

func TestDocumentIsRead(t *testing.T) {
	for name, raw := range map[string]string{
		"plain": docRef(`"status":"current","type":{"text":"Procedure note"},"date":"2024-05-04T08:00:00Z",` + attachment("text/plain", "Both leads were capped and left in place.")),
		"html":  docRef(`"status":"current","type":{"text":"Procedure note"},"date":"2024-05-04T08:00:00Z",` + attachment("text/html", "<p>Both leads were <b>capped</b> and left in place.</p>")),
		"composition": `{"resourceType":"Composition","id":"c","status":"final","type":{"text":"Operative note"},"subject":{"reference":"Patient/p"},"date":"2024-05-04","author":[{"display":"x"}],"title":"Operative note",
			"section":[{"title":"Procedure","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Both leads were capped and left in place.</div>"}}]}`,
	} {
		s := readOne(t, raw)
		fs := facts(s, implant.WasCapped)
		if len(fs) == 0 {
			t.Errorf("%s: %+v", name, s.Facts)
			continue
		}
		if f := fs[0]; !strings.HasPrefix(string(f.At), "2024-05-04") || f.Source.Quote == "" || f.Source.End == 0 || strings.Contains(f.Source.Quote, "<") {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

func TestWordsOfTheReferrerAreReportedPresence(t *testing.T) {
	s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},
		"code":{"text":"MRI lumbar spine"},"note":[{"text":"Has a spinal cord stimulator implanted in 2019."}]}`)
	if len(facts(s, implant.PresentByWord)) == 0 {
		t.Errorf("%+v", s.Facts)
	}
	for _, f := range s.Facts {
		if f.Kind == implant.Implanted || f.Kind == implant.Removed {
			t.Errorf("an order puts a part in or takes it out: %+v", f)
		}
	}
}

func TestSupersededDocumentRemovesNothing(t *testing.T) {
	s := readOne(t, docRef(`"status":"superseded","type":{"text":"Operative note"},`+attachment("text/plain", "The left lead was removed in toto with its tip intact.")))
	for _, f := range facts(s, implant.Removed) {
		if f.Value == "whole" {
			t.Errorf("%+v", f)
		}
	}
}

func TestCodedExplantAgainstItsOwnNote(t *testing.T) {
	s := readOne(t, proc("completed", focal(coded(codes.DeviceAction, "explanted"))+`,"note":[{"text":"The lead was removed, but a 3 cm fragment stayed behind at L3."}]`))
	for _, f := range facts(s, implant.Removed) {
		if f.Value == "whole" {
			t.Errorf("%+v", f)
		}
	}
}

func TestTitleDoesNotAccountForARestInTheNote(t *testing.T) {
	s := readOne(t, proc("completed", `"code":{"text":"Explant, leads left in place"},`+focal(coded(codes.DeviceAction, "explanted"))+`,"note":[{"text":"Uneventful. A piece broke off."}]`))
	for _, f := range facts(s, implant.Removed) {
		if f.Value == "whole" {
			t.Errorf("%+v", f)
		}
	}
	if !hasDoubt(s, implant.AskRemovalDoubtful) {
		t.Errorf("%v", doubts(s))
	}
}

func TestGeneratorOutLeadsCappedIsLeftToTheFold(t *testing.T) {
	s := readOne(t, proc("completed", `"focalDevice":[{"action":`+coded(codes.DeviceAction, "explanted")+`,"manipulated":{"reference":"Device/g","display":"pulse generator"}}],
		"note":[{"text":"Both leads were capped and left in place."}]`))
	whole := false
	for _, f := range facts(s, implant.Removed) {
		whole = whole || f.Value == "whole" && f.Component.Ref == "ehr|Device/g"
	}
	if !whole || len(facts(s, implant.WasCapped)) == 0 {
		t.Errorf("%+v", s.Facts)
	}
}

func TestInformationOfAnOrderedV2Message(t *testing.T) {
	// OBR-13 comes as this extension in HL7's v2-to-FHIR mapping (HL7 Version 2 to FHIR, OBR to ServiceRequest).
	s := readOne(t, `{"resourceType":"ServiceRequest","id":"r","status":"active","intent":"order","subject":{"reference":"Patient/p"},"code":{"text":"MRI brain"},
		"extension":[{"url":"http://hl7.org/fhir/5.0/StructureDefinition/extension-ServiceRequest.supportingInfo",
			"extension":[{"url":"concept","valueCodeableConcept":{"text":"Patient has a spinal cord stimulator."}}]}]}`)
	if len(facts(s, implant.PresentByWord)) == 0 || len(s.Findings) > 0 {
		t.Errorf("%+v %+v", s.Facts, s.Findings)
	}
}

// Many senders say what was done in the procedure's own words alone, in its text or beside a code that we do not
// know. The words are ours; that they must not pass in silence is the house rule.
func TestProcedureOfWordsAlone(t *testing.T) {
	text := func(s string) string { return `"code":{"text":"` + s + `"}` }
	display := func(s string) string {
		return `"code":{"coding":[{"system":"http://codes.invalid","code":"1","display":"` + s + `"}]}`
	}
	for _, c := range []struct {
		json string
		kind implant.FactKind
	}{
		{text("Removal of spinal cord stimulator system"), implant.Removed},
		{text("Complete explantation of neurostimulator, generator and all leads"), implant.Removed},
		{text("Revision of spinal cord stimulator lead"), implant.PresentByWord},
		{display("Removal of neurostimulator"), implant.Removed},
		{text("Laminectomy with removal of hardware"), implant.Removed},
		{text("Implantation of spinal cord stimulator"), implant.Implanted},
		{display("Insertion of percutaneous epidural neurostimulator electrode array"), implant.Implanted},
		{text("Removal of spinal cord stimulator") + `,"note":[{"text":"Tolerated well. No complications."}]`, implant.Removed},
	} {
		s := readOne(t, proc("completed", c.json))
		fs := facts(s, c.kind)
		if len(fs) == 0 || !hasDoubt(s, implant.AskNoteUnreviewed) {
			t.Errorf("%s: %s", c.json, render(s))
			continue
		}
		if f := fs[0]; f.Basis != implant.Read || f.Value == "whole" || !strings.HasPrefix(f.Source.Path, "Procedure.code") {
			t.Errorf("%s: %+v", c.json, f)
		}
	}
	for _, quiet := range []string{proc("completed", text("Lumbar laminectomy")), proc("completed", text("Appendicectomy")),
		proc("not-done", text("Removal of spinal cord stimulator")), proc("preparation", text("Implantation of spinal cord stimulator"))} {
		if s := readOne(t, quiet); len(s.Facts) > 0 {
			t.Errorf("%s: %s", quiet, render(s))
		}
	}
}

// A complication may be the only place that says what stayed in.
func TestComplicationIsRead(t *testing.T) {
	s := readOne(t, proc("completed", focal(coded(codes.DeviceAction, "explanted"))+`,"complication":[{"text":"lead fractured on withdrawal, fragment retained"}]`))
	for _, f := range facts(s, implant.Removed) {
		if f.Value == "whole" {
			t.Errorf("removed whole beside a retained fragment: %s", render(s))
		}
	}
	if !hasDoubt(s, implant.AskNoteUnreviewed) && !hasDoubt(s, implant.AskRemovalDoubtful) {
		t.Errorf("nobody asks: %s", render(s))
	}
	if s := readOne(t, proc("completed", `"code":{"text":"Lumbar laminectomy"},"complication":[{"text":"infection"}]`)); hasDoubt(s, implant.AskNoteUnreviewed) {
		t.Errorf("a complication without a part: %s", render(s))
	}
}

// The words that name a long note end at a word, and a mark says that they go on; a line stands whole.
func TestOpeningOfANoteIsMarkedWhereItIsCut(t *testing.T) {
	for body, want := range map[string]string{
		"Generator explanted intact. Both leads were disconnected, capped and left in place under the fascia.": "Generator explanted intact. Both leads were disconnected, capped and left in…",
		"Both leads were capped.\nThe pocket was closed.":                                                      "Both leads were capped.",
		"Both leads were capped.\n": "Both leads were capped.",
		strings.Repeat("é", 60):     strings.Repeat("é", 40) + "…",
	} {
		var r reader
		r.unreviewed(passage{}, body)
		if got := r.st.Facts[0].Source.Quote; got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
