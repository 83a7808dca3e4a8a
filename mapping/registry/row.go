package registry

import (
	"strconv"
	"strings"
)

// Actions of a row.
const (
	ActionNew     = "new"
	ActionAmend   = "amend"   // takes the place of the row it supersedes
	ActionRetract = "retract" // the row it supersedes no longer holds
)

// Roles of a component in an event.
const (
	RoleIn        = "in"        // put in
	RoleOut       = "out"       // taken out, wholly or in part
	RoleStays     = "stays"     // left in the body by a partial explant
	RoleConcerned = "concerned" // touched or spoken of: repositioned, capped, reported removed
)

// KindOnRecord is the kind of a row for a component that no event names: seen, reported or described, with no
// procedure that put it in.
const KindOnRecord = "on-record"

// Row is one event of one component (or of the patient, where no component is named) as one month reports it. A
// field that is not known is left out of the JSON and empty in CSV. The schema registry-row.schema.json says what
// each may hold; the order of the fields is the order of the columns.
type Row struct {
	Action         string   `json:"action"`
	RowID          string   `json:"row_id"`               // stable over months: pseudonym of event and component
	Version        int      `json:"version"`              // 1 for the first report of the row
	Supersedes     string   `json:"supersedes,omitempty"` // period/version of the report that this one replaces
	PeriodOfReport string   `json:"period_of_report"`     // YYYY-MM
	PeriodOfEvent  string   `json:"period_of_event,omitempty"`
	Kind           string   `json:"kind"`
	EventID        string   `json:"event_id"`
	EventDate      string   `json:"event_date,omitempty"` // EDTF, no finer than a day
	Precision      string   `json:"event_date_precision"` // day, month, year, period, one-of, unknown
	PatientID      string   `json:"patient_id"`
	BirthYear      int      `json:"birth_year,omitempty"`
	Sex            string   `json:"sex,omitempty"`
	SystemID       string   `json:"system_id,omitempty"`
	ComponentID    string   `json:"component_id,omitempty"`
	Role           string   `json:"role,omitempty"`
	ComponentKind  string   `json:"component_kind,omitempty"`
	Maker          string   `json:"maker,omitempty"`
	Model          string   `json:"model,omitempty"`
	DI             string   `json:"device_identifier,omitempty"`
	Lot            string   `json:"lot,omitempty"`
	StateAfter     string   `json:"state_after,omitempty"`
	Region         string   `json:"region,omitempty"`
	Side           string   `json:"side,omitempty"`
	Level          string   `json:"level,omitempty"`
	Pocket         string   `json:"pocket,omitempty"`
	Reasons        []string `json:"reasons,omitempty"`       // our words
	ReasonsIMDRF   []string `json:"reasons_imdrf,omitempty"` // those of them that the terminology has
	Said           []string `json:"said,omitempty"`          // the reporter's own words for them, see said.go
	Values         []string `json:"values,omitempty"`        // outcome values: scale, number, unit
	MRStatus       string   `json:"mr_status,omitempty"`
	FirstStated    string   `json:"first_stated,omitempty"` // day, by the clock of the system that told of it
	Senders        []string `json:"senders,omitempty"`      // systems whose messages the event rests on
	Flags          []string `json:"flags,omitempty"`
}

// Columns are the CSV columns, in the order of the fields of Row.
func Columns() []string {
	return []string{"action", "row_id", "version", "supersedes", "period_of_report", "period_of_event", "kind", "event_id",
		"event_date", "event_date_precision", "patient_id", "birth_year", "sex", "system_id", "component_id", "role",
		"component_kind", "maker", "model", "device_identifier", "lot", "state_after", "region", "side", "level", "pocket",
		"reasons", "reasons_imdrf", "said", "values", "mr_status", "first_stated", "senders", "flags"}
}

// Cells gives the row's CSV cells by Columns. Lists are joined by semicolons. A text from outside that a
// spreadsheet would take for a formula gets an apostrophe before it; the NDJSON has it as recorded.
func (r Row) Cells() []string {
	year := ""
	if r.BirthYear != 0 {
		year = strconv.Itoa(r.BirthYear)
	}
	return []string{r.Action, r.RowID, strconv.Itoa(r.Version), r.Supersedes, r.PeriodOfReport, r.PeriodOfEvent, r.Kind, r.EventID,
		r.EventDate, r.Precision, r.PatientID, year, r.Sex, r.SystemID, r.ComponentID, r.Role,
		r.ComponentKind, plainCell(r.Maker), plainCell(r.Model), plainCell(r.DI), plainCell(r.Lot), r.StateAfter, r.Region, r.Side,
		r.Level, r.Pocket, strings.Join(r.Reasons, ";"), strings.Join(r.ReasonsIMDRF, ";"), strings.Join(r.Said, ";"),
		strings.Join(r.Values, ";"), r.MRStatus, r.FirstStated, strings.Join(r.Senders, ";"), strings.Join(r.Flags, ";")}
}

func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Value gives the row as the generic JSON value that the schema is checked on, without going through JSON text.
func (r Row) Value() map[string]any {
	m := map[string]any{"action": r.Action, "row_id": r.RowID, "version": r.Version, "period_of_report": r.PeriodOfReport,
		"kind": r.Kind, "event_id": r.EventID, "event_date_precision": r.Precision, "patient_id": r.PatientID}
	for _, f := range []struct{ name, value string }{
		{"supersedes", r.Supersedes}, {"period_of_event", r.PeriodOfEvent}, {"event_date", r.EventDate}, {"sex", r.Sex},
		{"system_id", r.SystemID}, {"component_id", r.ComponentID}, {"role", r.Role}, {"component_kind", r.ComponentKind},
		{"maker", r.Maker}, {"model", r.Model}, {"device_identifier", r.DI}, {"lot", r.Lot}, {"state_after", r.StateAfter},
		{"region", r.Region}, {"side", r.Side}, {"level", r.Level}, {"pocket", r.Pocket}, {"mr_status", r.MRStatus}, {"first_stated", r.FirstStated},
	} {
		if f.value != "" {
			m[f.name] = f.value
		}
	}
	if r.BirthYear != 0 {
		m["birth_year"] = r.BirthYear
	}
	for _, f := range []struct {
		name   string
		values []string
	}{{"reasons", r.Reasons}, {"reasons_imdrf", r.ReasonsIMDRF}, {"said", r.Said}, {"values", r.Values}, {"senders", r.Senders}, {"flags", r.Flags}} {
		if len(f.values) > 0 {
			list := make([]any, len(f.values))
			for i, v := range f.values {
				list[i] = v
			}
			m[f.name] = list
		}
	}
	return m
}
