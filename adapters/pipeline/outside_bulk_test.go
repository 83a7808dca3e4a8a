package pipeline_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/adapters/files"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// allStories tells every story to one service.
func allStories(t *testing.T) workbench {
	t.Helper()
	w := newWorkbench(t)
	paths, err := filepath.Glob(filepath.Join(casesDir, "*.txtar"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	for _, path := range paths {
		a, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range inputs(a) {
			w.tell(t, message(f, w.clock.at))
			w.clock.at = w.clock.at.Add(time.Second)
		}
	}
	return w
}

// What the registry is given as FHIR R4 is valid by the official JSON Schema and constraints, and by the FHIR decoder,
// which drops and mends nothing: every story's rows, and rows of every kind with every field filled.
func TestBulkExportIsValidOutside(t *testing.T) {
	needNode(t)
	key, err := files.NewKey("north", bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	stories := allStories(t)
	for name, store := range map[string]files.Viewer{"stories": stories.Store, "every kind": everyKind(t)} {
		dir := t.TempDir()
		e := &files.Exporter{Store: store, Registry: "north", Key: key, ClosedDir: filepath.Join(dir, "closed")}
		if _, err := e.Close(context.Background(), "2026-05", ed25519.NewKeyFromSeed(bytes.Repeat([]byte("s"), 32))); err != nil {
			t.Fatal(err)
		}
		m, err := e.Bulk(t.Context(), files.BulkQuery{}, filepath.Join(dir, "bulk"))
		if err != nil {
			t.Fatal(err)
		}
		var all [][]byte
		for _, f := range m.Output {
			b, err := os.ReadFile(filepath.Join(dir, "bulk", f.URL))
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, bytes.Split(bytes.TrimSpace(b), []byte("\n"))...)
		}
		if len(all) < 15 || len(m.Output) < 4 {
			t.Fatalf("%s: %d resources of %d types: nothing was tested", name, len(all), len(m.Output))
		}
		for i, fs := range validateOutside(t, all) {
			for _, f := range faults(fs) {
				t.Errorf("%s, resource %d: %+v\n%s", name, i, f, all[i])
			}
		}
	}
}

// everyKind is a store with a record that makes a row of every kind and date of every precision.
func everyKind(t *testing.T) files.Viewer {
	t.Helper()
	w := newWorkbench(t)
	rec := implant.Record{Patient: "clinic|Patient/1", Aliases: []string{"clinic|Patient/1"}, Person: implant.Person{Birth: "1960-05-17", Sex: "female"}}
	dates := []implant.When{"2026-04-03", "2026-04", "2026", "2026-04-01/2026-04-03", "[2026-03-04,2026-04-03]"}
	for i, kind := range []implant.EventKind{implant.EventImplanted, implant.EventRevised, implant.EventReplaced, implant.EventRepositioned,
		implant.EventPartlyExplanted, implant.EventExplanted, implant.EventReportedRemoved, implant.EventComplication, implant.EventFollowUp} {
		for k, at := range dates {
			id := string(kind) + string(rune('a'+k))
			rec.Parts = append(rec.Parts, implant.Part{ID: id, System: "s", State: implant.Connected, Since: at, Implanted: at, Told: "2026-04-05", Label: implant.MRConditional,
				Site:      implant.Site{Region: "lumbar-spine", Side: implant.Left, Level: "L3", Pocket: "buttock"},
				Component: implant.Component{Kind: implant.Lead, Maker: "Tarnbeck Devices", Model: "TB-L45", Lot: "A1", DI: "09506000117843"}})
			e := implant.Event{ID: "event-" + id, Kind: kind, At: at, System: "s", Told: "2026-04-05", Said: []string{"wound infection"},
				Sources: []implant.Source{{Key: "clinic|Procedure/1"}}}
			switch {
			case i < 3:
				e.In, e.Reasons = []string{id}, []string{"infection", "mr-needed"}
			case i < 6 && i > 3:
				e.Out, e.Reasons = []string{id}, []string{"infection"}
			case kind == implant.EventComplication:
				e.Parts, e.Values = []string{id}, []string{"infection", "seroma"}
			case kind == implant.EventFollowUp:
				e.Parts, e.Values = []string{id}, []string{"NRS 7", "ODI 42 %", "12 h/day"}
			default:
				e.Parts = []string{id}
			}
			rec.Events = append(rec.Events, e)
		}
	}
	rec.Parts = append(rec.Parts, implant.Part{ID: "seen", State: implant.StateUnknown, Component: implant.Component{Kind: implant.Unidentified}})
	if err := w.Store.Update(context.Background(), func(tx pipeline.Tx) error { return tx.SaveRecord(context.Background(), rec) }); err != nil {
		t.Fatal(err)
	}
	return w.Store
}
