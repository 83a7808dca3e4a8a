package registry

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

// FHIR R4 resources of what a registry holds, with pseudonyms as ids and nothing that the rows do not have. They are
// plain values, since none was received: adapters write them as they are. What R4 has no element for (role and state of
// a component in an event, system, flags, when first told) stands in one extension of ours.
type (
	// Object is a JSON object.
	Object = map[string]any
	// Array is a JSON array.
	Array = []any
)

// rowExtension holds what a row says and R4 has no element for.
const rowExtension = "http://gaussline.invalid/fhir/StructureDefinition/registry-row"

// FHIRTypes are the types of resource that rows become, sorted.
func FHIRTypes() []string {
	return []string{"AdverseEvent", "Device", "DeviceUseStatement", "Observation", "Patient", "Procedure"}
}

// EventType gives the type of resource that the rows of an event of this kind become; a DeviceUseStatement is made of
// each row by itself, the others of all rows of the event.
func EventType(kind string) string {
	switch kind {
	case KindOnRecord, "reported-removal":
		return "DeviceUseStatement"
	case "complication":
		return "AdverseEvent"
	case "follow-up":
		return "Observation"
	}
	return "Procedure"
}

func resource(typ, id string) Object {
	return Object{"resourceType": typ, "id": id,
		"meta": Object{"security": Array{Object{"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "PSEUDED", "display": "pseudonymized"}}}}
}

func reference(typ, id string) Object { return Object{"reference": typ + "/" + id} }

func concept(text string) Object { return Object{"text": text} }

// PatientResource is the patient that a row is of.
func PatientResource(r Row) Object {
	p := resource("Patient", r.PatientID)
	setText(p, "gender", r.Sex)
	if r.BirthYear != 0 {
		p["birthDate"] = strconv.Itoa(r.BirthYear)
	}
	return p
}

// DeviceResource is the component that a row is about, as that row describes it.
func DeviceResource(r Row) Object {
	d := resource("Device", r.ComponentID)
	d["patient"] = reference("Patient", r.PatientID)
	d["type"] = concept(r.ComponentKind)
	setText(d, "manufacturer", r.Maker)
	setText(d, "modelNumber", r.Model)
	setText(d, "lotNumber", r.Lot)
	if r.DI != "" {
		d["udiCarrier"] = Array{Object{"deviceIdentifier": r.DI}}
	}
	if r.MRStatus != "" {
		d["safety"] = Array{concept(r.MRStatus)}
	}
	return d
}

// EventResource is the event that rows say of, all of one event id; of a DeviceUseStatement one row.
func EventResource(rows []Row) Object {
	rows = slices.SortedFunc(slices.Values(rows), func(a, b Row) int { return cmp.Compare(a.RowID, b.RowID) })
	r := rows[0]
	switch EventType(r.Kind) {
	case "DeviceUseStatement":
		return useStatement(r)
	case "AdverseEvent":
		return adverseEvent(r, rows)
	case "Observation":
		return observation(r, rows)
	}
	return procedure(r, rows)
}

func procedure(r Row, rows []Row) Object {
	p := resource("Procedure", r.EventID)
	p["status"] = "completed"
	p["code"] = concept(r.Kind)
	p["subject"] = reference("Patient", r.PatientID)
	when(p, "performed", r)
	if reasons := reasonConcepts(r); len(reasons) > 0 {
		p["reasonCode"] = reasons
	}
	var focal Array
	var sites []string
	for _, x := range rows {
		if x.ComponentID == "" {
			continue
		}
		f := Object{"manipulated": reference("Device", x.ComponentID), "extension": Array{extension(x)}}
		if action := map[string]string{RoleIn: "implanted", RoleOut: "explanted", RoleConcerned: "manipulated"}[x.Role]; action != "" {
			f["action"] = Object{"coding": Array{Object{"system": codes.DeviceAction, "code": action}}}
		}
		focal = append(focal, f)
		if s := site(x); s != "" && !slices.Contains(sites, s) {
			sites = append(sites, s)
		}
	}
	if len(focal) > 0 {
		p["focalDevice"] = focal
	}
	slices.Sort(sites)
	var body Array
	for _, s := range sites {
		body = append(body, concept(s))
	}
	if len(body) > 0 {
		p["bodySite"] = body
	}
	return p
}

func adverseEvent(r Row, rows []Row) Object {
	a := resource("AdverseEvent", r.EventID)
	a["actuality"] = "actual"
	a["subject"] = reference("Patient", r.PatientID)
	if day(r.EventDate) != "" && r.Precision != "period" && r.Precision != "one-of" {
		a["date"] = r.EventDate
	}
	a["extension"] = Array{extension(r)}
	event := Object{}
	var coding Array
	for _, c := range r.ReasonsIMDRF {
		coding = append(coding, Object{"system": codes.IMDRF, "code": c})
	}
	if len(coding) > 0 {
		event["coding"] = coding
	}
	setText(event, "text", strings.Join(append(slices.Clone(r.Reasons), r.Said...), "; "))
	if len(event) > 0 {
		a["event"] = event
	}
	var suspects Array
	for _, x := range rows {
		if x.ComponentID != "" {
			suspects = append(suspects, Object{"instance": reference("Device", x.ComponentID)})
		}
	}
	if len(suspects) > 0 {
		a["suspectEntity"] = suspects
	}
	return a
}

func observation(r Row, rows []Row) Object {
	o := resource("Observation", r.EventID)
	o["status"] = "final"
	o["code"] = concept("follow-up")
	o["subject"] = reference("Patient", r.PatientID)
	o["extension"] = Array{extension(r)}
	when(o, "effective", r)
	var focus, values Array
	for _, x := range rows {
		if x.ComponentID != "" {
			focus = append(focus, reference("Device", x.ComponentID))
		}
	}
	if len(focus) > 0 {
		o["focus"] = focus
	}
	for _, v := range r.Values {
		scale, value := "usage", v
		if !strings.ContainsAny(v[:1], "0123456789") {
			scale, value, _ = strings.Cut(v, " ")
		}
		values = append(values, Object{"code": concept(scale), "valueString": value})
	}
	if len(values) > 0 {
		o["component"] = values
	}
	return o
}

// useStatement says that somebody speaks of a component, and no procedure does.
func useStatement(r Row) Object {
	u := resource("DeviceUseStatement", r.RowID)
	u["subject"] = reference("Patient", r.PatientID)
	u["device"] = reference("Device", r.ComponentID)
	u["extension"] = Array{extension(r)}
	u["status"] = "active"
	note := "On record; no procedure names it. It may be in the body."
	if r.Kind == "reported-removal" {
		u["status"] = "stopped"
		note = "Reported removed; nobody who took it out says so. It may be in the body."
	}
	u["note"] = Array{concept(note)}
	switch r.Precision {
	case "day", "month", "year":
		u["timingDateTime"] = r.EventDate
	case "period":
		u["timingPeriod"] = period(r.EventDate)
	}
	if s := site(r); s != "" {
		u["bodySite"] = concept(s)
	}
	return u
}

// when sets the date of an event as element[x].
func when(o Object, element string, r Row) {
	switch r.Precision {
	case "day", "month", "year":
		o[element+"DateTime"] = r.EventDate
	case "period":
		o[element+"Period"] = period(r.EventDate)
	case "one-of":
		if element == "performed" {
			o["performedString"] = strings.Trim(strings.ReplaceAll(r.EventDate, ",", " or "), "[]")
		}
	}
}

func period(s string) Object {
	from, to, _ := strings.Cut(s, "/")
	return Object{"start": from, "end": to}
}

// reasonConcepts gives each reason with its code, and the reporter's words.
func reasonConcepts(r Row) (out Array) {
	for _, w := range r.Reasons {
		c := concept(w)
		if code, ok := codes.IMDRFCode(w); ok {
			c["coding"] = Array{Object{"system": codes.IMDRF, "code": code}}
		}
		out = append(out, c)
	}
	for _, s := range r.Said {
		out = append(out, concept(s))
	}
	return out
}

func site(r Row) string {
	return strings.Join(slices.DeleteFunc([]string{r.Side, r.Level, r.Region, r.Pocket}, func(s string) bool { return s == "" }), " ")
}

// extension gives what R4 has no element for.
func extension(r Row) Object {
	var parts Array
	add := func(url, value string) {
		if value != "" {
			parts = append(parts, Object{"url": url, "valueString": value})
		}
	}
	add("kind", r.Kind)
	add("role", r.Role)
	add("stateAfter", r.StateAfter)
	add("system", r.SystemID)
	if r.Precision == "one-of" || r.Precision == "period" {
		add("eventDate", r.EventDate)
	}
	add("firstStated", r.FirstStated)
	for _, f := range r.Flags {
		add("flag", f)
	}
	return Object{"url": rowExtension, "extension": parts}
}

func setText(o Object, key, value string) {
	if value = strings.TrimSpace(value); value != "" {
		o[key] = value
	}
}

// PeriodEnd gives the first moment after a month YYYY-MM, as a FHIR instant.
func PeriodEnd(period string) string {
	_, to, _ := implant.When(period).Bounds()
	return to.Format("2006-01-02T15:04:05Z")
}
