package files

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// Lives gives the lives of the records of a test's store.
func (m memory) Lives(_ context.Context, f func(string, registry.Life, bool) error) error {
	for _, rec := range m.records {
		lives := registry.Lives(rec)
		for _, p := range rec.Parts {
			if l, ok := lives[p.ID]; ok {
				if err := f(rec.Patient, l, true); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func clinic(n int) (out []implant.Record) {
	for i := range n {
		rec := implanted(fmt.Sprint(i), 2, "2024-04-03")
		rec.Events[0].Told = "2024-04-10"
		if i%2 == 0 {
			rec.Parts[0].Component.Lot = "B2\x07"
		}
		if i < n/2 {
			rec.Parts[1].State, rec.Parts[1].Removed = implant.RemovedWhole, "2025-04-03"
			rec.Events = append(rec.Events, implant.Event{ID: fmt.Sprint("out", i), Kind: implant.EventPartlyExplanted, At: "2025-04-03", System: rec.Parts[0].System,
				Out: []string{rec.Parts[1].ID}, Sources: rec.Events[0].Sources})
		}
		out = append(out, rec)
	}
	return out
}

func cells(t *testing.T, r Report, name string) [][]string {
	t.Helper()
	f, ok := r.File(name)
	if !ok {
		t.Fatalf("no %s", name)
	}
	lines, err := csv.NewReader(bytes.NewReader(f.Bytes)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

var reportCut = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

func TestQualityReport(t *testing.T) {
	e := newExporter(t, "", clinic(60)...)
	r, err := e.Quality(context.Background(), reportCut)
	if err != nil {
		t.Fatal(err)
	}
	lines := cells(t, r, "quality.csv")
	i := slices.IndexFunc(lines, func(l []string) bool { return l[1] == "2024-04" && l[2] == "valid" })
	if i < 0 || !slices.Equal(lines[i], []string{"clinic", "2024-04", "valid", "120", "120", "90", "75", "", "", "2026-06-01T00:00:00Z"}) {
		t.Errorf("validity: %v", lines[i])
	}
	i = slices.IndexFunc(lines, func(l []string) bool { return l[1] == "2024-04" && l[2] == "told-within-31-days" })
	if i < 0 || lines[i][6] != "100" || lines[i][7] != "7" {
		t.Errorf("timeliness: %v", lines[i])
	}
	if rejects := cells(t, r, "rejects.csv"); len(rejects) < 2 || rejects[1][5] != "sender" || rejects[1][6] != "30" || rejects[1][7] == "" {
		t.Errorf("rejects: %v", rejects)
	}
	e.Workers = 1
	again, err := e.Quality(context.Background(), reportCut)
	if err != nil {
		t.Fatal(err)
	}
	for k, f := range r.Files {
		if !bytes.Equal(f.Bytes, again.Files[k].Bytes) {
			t.Errorf("%s is not the same with another number of workers", f.Name)
		}
	}
	small, err := newExporter(t, "", clinic(4)...).Quality(context.Background(), reportCut)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range cells(t, small, "quality.csv")[1:] {
		if l[3] != "not told" || l[4] != "not told" || l[5] != "not told" || l[6] != "" {
			t.Errorf("four patients are told of: %v", l)
		}
	}
}

func TestFiguresReport(t *testing.T) {
	r, err := newExporter(t, "", clinic(60)...).Figures(context.Background(), reportCut)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"figures.csv", "rates.csv", "figures.json", "lead-explant-kaplan-meier.svg", "lead-explant-aalen-johansen.svg"} {
		if f, ok := r.File(name); !ok || len(f.Bytes) == 0 {
			t.Errorf("no %s", name)
		}
	}
	// 30 of 120 came out after a year, none before and none after: a quarter, whatever the interval.
	n := 0
	for _, l := range cells(t, r, "figures.csv")[1:] {
		if l[3] == registry.OutcomeExplant && l[5] == "1" {
			n++
			if l[7] != "25" && !strings.HasPrefix(l[7], "25.0000000") && !strings.HasPrefix(l[7], "24.99999999") {
				t.Errorf("%v", l)
			}
		}
	}
	if n != 3 { // two intervals of Kaplan-Meier, one of Aalen-Johansen
		t.Errorf("%d points at one year", n)
	}
	dir := filepath.Join(t.TempDir(), "figures")
	for range 2 { // a second time in its place
		if err := r.Write(dir); err != nil {
			t.Fatal(err)
		}
	}
	if list, err := os.ReadDir(dir); err != nil || len(list) != len(r.Files) {
		t.Errorf("%d files written of %d: %v", len(list), len(r.Files), err)
	}
}

func TestPullReports(t *testing.T) {
	p, now := newPull(t)
	p.Exporter.Store = memory{records: clinic(60)}
	for _, name := range []string{"quality", "figures"} {
		r := get(t, p, "/registry/"+name)
		var list struct {
			DataCut string
			Files   []string
		}
		if err := json.Unmarshal(r.body, &list); err != nil || r.status != http.StatusOK || list.DataCut == "" || len(list.Files) < 3 {
			t.Fatalf("%s: %d %s", name, r.status, r.body)
		}
		for _, f := range list.Files {
			got := get(t, p, f)
			tag := got.header.Get("ETag")
			if got.status != http.StatusOK || tag == "" || len(got.body) == 0 {
				t.Errorf("%s: %d", f, got.status)
			}
			if r := get(t, p, f, "If-None-Match", tag); r.status != http.StatusNotModified {
				t.Errorf("%s unchanged: %d", f, r.status)
			}
		}
	}
	if r := get(t, p, "/registry/quality/key"); r.status != http.StatusNotFound {
		t.Errorf("another file: %d", r.status)
	}
	before := get(t, p, "/registry/figures/rates.csv").body
	p.Exporter.Store = memory{records: clinic(80)}
	if !bytes.Equal(get(t, p, "/registry/figures/rates.csv").body, before) {
		t.Error("made anew at once")
	}
	*now = now.Add(reportFresh)
	if bytes.Equal(get(t, p, "/registry/figures/rates.csv").body, before) {
		t.Error("an old report is given")
	}
}

// Months close by the set day, in order, each once, and not without a note.
func TestMonthsCloseOnTheSetDay(t *testing.T) {
	ctx, closed := context.Background(), filepath.Join(t.TempDir(), "closed")
	e := newExporter(t, closed, implanted("1", 1, "2026-01-03"))
	var noted []string
	note := func(period string) error { noted = append(noted, period); return nil }
	at := func(day string, want ...string) {
		t.Helper()
		now, err := time.Parse("2006-01-02 15:04", day)
		if err != nil {
			t.Fatal(err)
		}
		got, err := e.CloseDue(ctx, now, 10, signer, note)
		var periods []string
		for _, r := range got {
			periods = append(periods, r.Manifest.Registry.Period)
		}
		if err != nil || !slices.Equal(periods, want) {
			t.Errorf("%s: closed %v, %v; want %v", day, periods, err, want)
		}
	}
	at("2026-02-09 23:59")
	at("2026-02-10 00:00", "2026-01")
	at("2026-02-10 01:00")
	at("2026-03-09 12:00")
	at("2026-05-20 12:00", "2026-02", "2026-03", "2026-04") // the service was away
	if !slices.Equal(noted, []string{"2026-01", "2026-02", "2026-03", "2026-04"}) {
		t.Errorf("noted %v", noted)
	}
	refuse := errors.New("the audit cannot be written")
	if _, err := e.CloseDue(ctx, time.Date(2026, 6, 10, 0, 0, 0, 0, time.UTC), 10, signer, func(string) error { return refuse }); !errors.Is(err, refuse) {
		t.Errorf("closed without a note: %v", err)
	}
	if v, err := Verify(closed, signer.Public().(ed25519.PublicKey), ""); err != nil || len(v.Faults) > 0 || len(v.Months) != 4 {
		t.Errorf("%v %+v", err, v)
	}
}
