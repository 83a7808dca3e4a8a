package registry

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
)

var update = flag.Bool("update", false, "write testdata/*.csv from this run; read them again after")

// plain makes ids that a person can read.
func plain(domain, id string) string { return domain + ":" + id }

// The rows of four stories, read by a person: a generator exchanged (one removal, not two, though the device's
// status reports it as well), a generator out and the leads capped, everything out, two systems in one patient.
func TestRowsOfStories(t *testing.T) {
	for _, story := range []string{"02-generator-replaced", "03-leads-capped", "04-complete-explant", "07-two-systems"} {
		a, err := txtar.ParseFile(filepath.Join("../../testdata/cases", story+".txtar"))
		if err != nil {
			t.Fatal(err)
		}
		var rows []Row
		for _, f := range a.Files {
			if f.Name != "want/record.json" {
				continue
			}
			var records []implant.Record
			if err := json.Unmarshal(f.Data, &records); err != nil {
				t.Fatal(err)
			}
			for _, rec := range records {
				rows = append(rows, Rows(rec, plain)...)
			}
		}
		var got bytes.Buffer
		w := csv.NewWriter(&got)
		_ = w.Write(Columns())
		for _, r := range rows {
			_ = w.Write(r.Cells())
		}
		w.Flush()
		path := filepath.Join("testdata", story+".csv")
		if *update {
			if err := os.WriteFile(path, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got.String()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", story, diff)
		}
	}
}

func lead(id string, state implant.State, since implant.When) implant.Part {
	return implant.Part{ID: id, System: "s", State: state, Since: since, Implanted: "2020-01-01",
		Component: implant.Component{Kind: implant.Lead, Model: "TB-L45", Serial: "SECRET"}}
}

func find(t *testing.T, rows []Row, kind, component string) Row {
	t.Helper()
	i := slices.IndexFunc(rows, func(r Row) bool { return r.Kind == kind && r.ComponentID == component })
	if i < 0 {
		t.Fatalf("no %s of %s in %+v", kind, component, rows)
	}
	return rows[i]
}

func TestStateAfterIsThatOfTheEvent(t *testing.T) {
	rec := implant.Record{Patient: "p", Parts: []implant.Part{lead("a", implant.RemovedWhole, "2022-02-02"), lead("b", implant.Capped, "2022-02-02"), lead("c", implant.NotConnected, "2022-02-02")},
		Events: []implant.Event{
			{ID: "1", Kind: implant.EventImplanted, At: "2020-01-01", System: "s", In: []string{"a", "b", "c"}},
			{ID: "2", Kind: implant.EventRepositioned, At: "2021-01-01", System: "s", Parts: []string{"a"}},
			{ID: "3", Kind: implant.EventPartlyExplanted, At: "2022-02-02", System: "s", Out: []string{"a"}, Parts: []string{"b"}},
			{ID: "4", Kind: implant.EventFollowUp, At: "2023-01-01", System: "s", Parts: []string{"b"}},
		}}
	rows := Rows(rec, plain)
	for _, want := range []struct{ kind, part, role, state string }{
		{"implant", "a", RoleIn, "connected"}, {"implant", "b", RoleIn, "connected"}, {"implant", "c", RoleIn, "connected"},
		{"repositioning", "a", RoleConcerned, "unknown"}, // the record does not keep what it was then
		{"partial-explant", "a", RoleOut, "removed-whole"}, {"partial-explant", "b", RoleConcerned, "capped"},
		{"partial-explant", "c", RoleStays, "not-connected"}, {"follow-up", "b", RoleConcerned, "capped"},
	} {
		if r := find(t, rows, want.kind, "component:"+want.part); r.Role != want.role || r.StateAfter != want.state {
			t.Errorf("%v: role %s, state %s", want, r.Role, r.StateAfter)
		}
	}
	if len(rows) != 8 {
		t.Errorf("%d rows", len(rows))
	}
}

func TestFlags(t *testing.T) {
	orphan := lead("a", implant.ReportedRemoved, "2022-02-02")
	orphan.Implanted, orphan.Component.Model = "", ""
	backwards := lead("b", implant.RemovedWhole, "2019-01-01")
	backwards.Removed = "2019-01-01"
	rec := implant.Record{Patient: "p", Parts: []implant.Part{orphan, backwards},
		Questions: []implant.Question{{Code: implant.AskNoteUnread}, {Code: implant.AskSideConflict, Parts: []string{"b"}}},
		Events: []implant.Event{
			{ID: "1", Kind: implant.EventExplanted, At: "2022-02-02", System: "s", Out: []string{"a", "b"}, Reasons: []string{"", codes.Infection, codes.MRNeeded}},
		}}
	rows := Rows(rec, plain)
	a, b := find(t, rows, "complete-explant", "component:a"), find(t, rows, "complete-explant", "component:b")
	if want := []string{"note-unread", "orphan-explant", "reason-not-in-imdrf", "reason-uncoded", "unconfirmed", "unidentified"}; !slices.Equal(a.Flags, want) {
		t.Errorf("a: %v", a.Flags)
	}
	if want := []string{"dates-conflict", "note-unread", "reason-not-in-imdrf", "reason-uncoded", "side-conflict"}; !slices.Equal(b.Flags, want) {
		t.Errorf("b: %v", b.Flags)
	}
	// IMDRF N43 annex E: E1906 unspecified infection. It has no term for "MR needed".
	if !slices.Equal(a.Reasons, []string{"infection", "mr-needed"}) || !slices.Equal(a.ReasonsIMDRF, []string{"E1906"}) {
		t.Errorf("reasons %v %v", a.Reasons, a.ReasonsIMDRF)
	}
	if p := Check(b); len(p) != 1 || p[0].Rule != RuleDates {
		t.Errorf("out before in: %v", p)
	}
	if p := Check(a); len(p) != 0 {
		t.Errorf("an orphan explant is no fault: %v", p)
	}
}

// A report of a removal that nobody confirmed is a row, marked so.
func TestReportedRemoval(t *testing.T) {
	rec := implant.Record{Patient: "p", Parts: []implant.Part{lead("a", implant.RemovedWhole, "2022-02-02"), lead("b", implant.ReportedRemoved, "2022-02-02")},
		Events: []implant.Event{
			{ID: "0", Kind: implant.EventReportedRemoved, Parts: []string{"b"}},
			{ID: "1", Kind: implant.EventPartlyExplanted, At: "2022-02-02", System: "s", Out: []string{"a"}},
		}}
	rows := Rows(rec, plain)
	r := find(t, rows, "reported-removal", "component:b")
	if !slices.Contains(r.Flags, FlagUnconfirmed) || r.EventDate != "" || r.Precision != "unknown" || r.PeriodOfEvent != "" {
		t.Errorf("%+v", r)
	}
}

func TestDates(t *testing.T) {
	for _, c := range []struct{ in, text, precision, period, earliest string }{
		{"", "", "unknown", "", ""},
		{"2026", "2026", "year", "", "2026-01"},
		{"2026-05", "2026-05", "month", "2026-05", "2026-05"},
		{"2026-05-03", "2026-05-03", "day", "2026-05", "2026-05"},
		{"2026-05-03T10:00:00Z", "2026-05-03", "day", "2026-05", "2026-05"},
		{"2026-05-31T23:59:59.999999Z", "2026-05-31", "day", "2026-05", "2026-05"},
		{"2026-05-03/2026-05-05", "2026-05-03/2026-05-05", "period", "2026-05", "2026-05"},
		{"2026-05-03T08:00:00Z/2026-05-03T10:00:00Z", "2026-05-03", "day", "2026-05", "2026-05"},
		{"2026-05-31/2026-06-01", "2026-05-31/2026-06-01", "period", "", "2026-05"},
		{"[2026-03-04,2026-04-03]", "[2026-03-04,2026-04-03]", "one-of", "", "2026-03"},
		{"[2026-03-04,2026-03-05]", "[2026-03-04,2026-03-05]", "one-of", "2026-03", "2026-03"},
	} {
		w, err := implant.ParseWhen(c.in)
		if err != nil {
			t.Fatal(err)
		}
		text, precision := date(w)
		earliest := Row{EventDate: text}.EarliestPeriod()
		if text != c.text || precision != c.precision || Period(w) != c.period || earliest != c.earliest {
			t.Errorf("%s: %q %s %q %q", c.in, text, precision, Period(w), earliest)
		}
	}
	for in, want := range map[implant.When]int{"1960-05-17": 1960, "1960": 1960, "": 0, "[1960-12-01,1961-01-12]": 0, "[1960-03-04,1960-04-03]": 1960} {
		if got := birthYear(in); got != want {
			t.Errorf("birth %s: %d", in, got)
		}
	}
}

func TestOutcomeValues(t *testing.T) {
	for v, leaves := range map[string]bool{"NRS 7": true, "VAS 70 mm": true, "ODI 42 %": true, "EQ-5D 0.61": true, "relief 70 %": true, "relief 70-80 %": true,
		"12 h/day": true, "2 sessions/day": true, "Someone 7": false, "NRS 7 says Someone": false, "7": false, "Street 7 %": false, "NRS seven": false, "": false} {
		if outcomeValue.MatchString(v) != leaves {
			t.Errorf("%q leaves: %v", v, !leaves)
		}
	}
}

// The reporter's words leave as written when they are trade words, and stay when any word could name somebody.
func TestReportersWords(t *testing.T) {
	person := implant.Person{Family: "Short", Given: "Back"}
	for quote, want := range map[string]string{
		"battery depletion":                     "battery depletion",
		"A0705 Battery problem / battery empty": "", // "empty" is not on the list
		"A0705 Battery Problem / worn out":      "Battery Problem / worn out",
		"Lead migration (left), new pain":       "Lead migration (left), new pain",
		"infection after shower at Hillside":    "",
		"Mrs Quill has pain":                    "",
		"Mr Burn has pain":                      "",
		"MR needed":                             "MR needed",
		"short lead":                            "", // a name of this patient
		"pain since 2019":                       "",
		"":                                      "",
		strings.Repeat("pain ", 30):             "",
	} {
		if got := said(quote, person); got != want {
			t.Errorf("%q: %q, want %q", quote, got, want)
		}
	}
	rec := implant.Record{Patient: "p", Events: []implant.Event{{ID: "1", Kind: implant.EventComplication, At: "2026-01-02", Told: "2026-01-05",
		Values: []string{codes.Infection}, Said: []string{"wound infection", "Mrs Quill says so"}}}}
	r := Rows(rec, plain)[0]
	if !slices.Equal(r.Said, []string{"wound infection"}) || !slices.Contains(r.Flags, FlagWordsHeld) || r.FirstStated != "2026-01-05" {
		t.Errorf("%+v", r)
	}
}

// A component that no event names has a row of its own; one that never went in has none.
func TestComponentsOnRecordAlone(t *testing.T) {
	seen, wasted, named := lead("a", implant.StateUnknown, ""), lead("b", implant.NeverImplanted, ""), lead("c", implant.Connected, "2020-01-01")
	seen.Implanted, seen.Told = "", "2025-05-05"
	rec := implant.Record{Patient: "p", Parts: []implant.Part{seen, wasted, named},
		Events: []implant.Event{{ID: "1", Kind: implant.EventImplanted, At: "2020-01-01", System: "s", In: []string{"c"}}}}
	rows := Rows(rec, plain)
	r := find(t, rows, KindOnRecord, "component:a")
	if r.Role != RoleConcerned || r.StateAfter != "unknown" || r.Precision != "unknown" || r.FirstStated != "2025-05-05" || r.SystemID != "system:s" {
		t.Errorf("%+v", r)
	}
	if len(rows) != 2 {
		t.Errorf("%d rows, want those of a and c", len(rows))
	}
}

func TestSenders(t *testing.T) {
	got := senders([]implant.Source{{Key: "hillside|Procedure/1"}, {Key: "http://EHR.quayside.invalid:8080/fhir/Device/2"}, {Key: "hillside|Device/2"}, {Key: "odd"}})
	if !slices.Equal(got, []string{"ehr.quayside.invalid", "hillside"}) {
		t.Errorf("%v", got)
	}
}

// Columns, cells, JSON and the schema have the same fields in the same order.
func TestColumnsAreTheFields(t *testing.T) {
	typ := reflect.TypeFor[Row]()
	var r Row
	v := reflect.ValueOf(&r).Elem()
	for i := range typ.NumField() {
		name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		if Columns()[i] != name {
			t.Errorf("column %d is %s, field %s", i, Columns()[i], name)
		}
		switch f := v.Field(i); f.Kind() {
		case reflect.String:
			f.SetString("x" + name)
		case reflect.Int:
			f.SetInt(int64(1000 + i))
		case reflect.Slice:
			f.Set(reflect.ValueOf([]string{"x" + name, "y"}))
		}
	}
	if len(Columns()) != typ.NumField() || len(r.Cells()) != typ.NumField() {
		t.Fatalf("%d columns, %d cells, %d fields", len(Columns()), len(r.Cells()), typ.NumField())
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var asJSON map[string]any
	if err := json.Unmarshal(b, &asJSON); err != nil {
		t.Fatal(err)
	}
	value, err := json.Marshal(r.Value())
	if err != nil {
		t.Fatal(err)
	}
	var asValue map[string]any
	if err := json.Unmarshal(value, &asValue); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(asJSON, asValue); diff != "" {
		t.Errorf("JSON and the value that is checked differ: %s", diff)
	}
	for i, c := range r.Cells() {
		if want := Columns()[i]; !strings.Contains(c, want) && c != jsonText(asJSON[want]) {
			t.Errorf("cell of %s is %q", want, c)
		}
	}
}

func jsonText(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// A spreadsheet takes a cell that begins with one of these for a formula (common practice, no source).
func TestCellsAreNoFormulas(t *testing.T) {
	cells := Row{Maker: "=cmd|'/c calc'!A1", Model: "+1", Lot: "-7", DI: "@SUM(1)"}.Cells()
	for _, c := range cells {
		if c != "" && strings.ContainsRune("=+-@", rune(c[0])) {
			t.Errorf("cell %q", c)
		}
	}
}

func TestFollows(t *testing.T) {
	first := Row{RowID: "r", Action: ActionNew, Version: 1, PeriodOfReport: "2026-01"}
	second := Row{RowID: "r", Action: ActionAmend, Version: 2, Supersedes: "2026-01/1", PeriodOfReport: "2026-02"}
	gone := Row{RowID: "r", Action: ActionRetract, Version: 3, Supersedes: "2026-02/2", PeriodOfReport: "2026-03"}
	again := Row{RowID: "r", Action: ActionNew, Version: 4, Supersedes: "2026-03/3", PeriodOfReport: "2026-04"}
	holds := map[string]Row{}
	for _, r := range []Row{first, second, gone, again} {
		if err := Apply(holds, r); err != nil {
			t.Error(err)
		}
	}
	change := func(r Row, f func(*Row)) Row { f(&r); return r }
	for name, c := range map[string]struct {
		prev *Row
		r    Row
	}{
		"amend first":            {nil, second},
		"version 2 first":        {nil, change(first, func(r *Row) { r.Version = 2 })},
		"same month":             {&first, change(second, func(r *Row) { r.PeriodOfReport = "2026-01" })},
		"a version left out":     {&first, change(second, func(r *Row) { r.Version = 3 })},
		"supersedes another":     {&first, change(second, func(r *Row) { r.Supersedes = "2025-12/1" })},
		"new without retraction": {&first, change(second, func(r *Row) { r.Action = ActionNew })},
		"amend after retraction": {&gone, change(again, func(r *Row) { r.Action = ActionAmend })},
		"retracted twice":        {&gone, change(again, func(r *Row) { r.Action = ActionRetract })},
	} {
		if Follows(c.prev, c.r) == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
