package files

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
	_ "gaussline/testdata/seed"
)

// RFC 4231, sections 4.2, 4.3, 4.4 and 4.7 (test cases 1, 2, 3 and 6).
func TestHMACVectors(t *testing.T) {
	for _, v := range []struct{ key, data, want string }{
		{strings.Repeat("\x0b", 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{strings.Repeat("\xaa", 20), strings.Repeat("\xdd", 50), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{strings.Repeat("\xaa", 131), "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
	} {
		if got := hex.EncodeToString(mac([]byte(v.key), v.data)); got != v.want {
			t.Errorf("%q: %s", v.data, got)
		}
	}
}

func TestPseudonymsAreKeyedByRegistryAndDomain(t *testing.T) {
	north, _ := NewKey("north", testKey)
	south, _ := NewKey("south", testKey)
	other, _ := NewKey("north", append([]byte("x"), testKey...))
	all := []string{north.Pseudonym("patient", "a"), north.Pseudonym("event", "a"), south.Pseudonym("patient", "a"), other.Pseudonym("patient", "a"), north.Pseudonym("patient", "b")}
	if slices.Sort(all); len(slices.Compact(all)) != 5 {
		t.Errorf("pseudonyms meet: %v", all)
	}
	if got := north.Pseudonym("patient", "a"); got != hex.EncodeToString(mac(testKey, "north/patient|a")) {
		t.Errorf("not the HMAC of registry/domain|id: %s", got)
	}
	if _, err := NewKey("north", testKey[:31]); err == nil {
		t.Error("a key of 31 bytes is taken")
	}
	if _, err := NewKey("North/x", testKey); err == nil {
		t.Error("a name that could run into the domain is taken")
	}
}

func TestSameStoreSameBytes(t *testing.T) {
	records, _ := stories(t)
	for i := range 300 {
		records = append(records, implanted(fmt.Sprint(i), 3, "2026-04-03"))
	}
	first := newExporter(t, "", records...)
	a, err := first.Export(context.Background(), "2026-06", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	want := readMonth(t, a.Dir)
	if len(want) != 6 || a.Manifest.Registry.Counts.Rows < 900 {
		t.Fatalf("%d files, %+v", len(want), a.Manifest.Registry.Counts)
	}
	slices.Reverse(records)
	for name, e := range map[string]*Exporter{"again": first, "other order": newExporter(t, "", records...),
		"one worker, sorted on disk": {Store: memory{records: records}, Registry: "north", Key: first.Key, Workers: 1, SortBytes: 4096}} {
		b, err := e.Export(context.Background(), "2026-06", t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		got := readMonth(t, b.Dir)
		for file := range want {
			if !bytes.Equal(got[file], want[file]) {
				t.Errorf("%s: %s differs", name, file)
			}
		}
		if len(got) != len(want) {
			t.Errorf("%s: %d files, want %d", name, len(got), len(want))
		}
	}
}

func TestRejectsSayWhatAndWho(t *testing.T) {
	bad := implanted("1", 1, "2026-04-03")
	bad.Parts[0].Component.Lot = "Zażółć 7"
	undated := implanted("2", 1, "")
	early := implanted("3", 1, "2026-04-03")
	early.Person.Birth = "2030"
	r, err := newExporter(t, "", bad, undated, early, implanted("4", 2, "2026-04-03")).Export(context.Background(), "2026-04", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	c := r.Manifest.Registry.Counts
	if c.Rows != 2 || c.RejectedRows != 3 || c.Rejects != 3 {
		t.Errorf("counts %+v", c)
	}
	b, err := os.ReadFile(filepath.Join(r.Dir, RejectsNDJSON))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, line := range bytes.Split(bytes.TrimSpace(b), []byte("\n")) {
		var x registry.Reject
		if err := json.Unmarshal(line, &x); err != nil {
			t.Fatal(err)
		}
		got = append(got, x.Pointer+" "+x.Mend+": "+x.Reason)
	}
	slices.Sort(got)
	want := []string{
		" clinic: A component that went in or came out needs the date, at least the year.",
		"/birth_year sender: The year of birth is after the event. One of the two is wrong.",
		"/lot sender: lot is not as it must be: Lot or batch number: 1 to 50 printable ASCII characters.",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if bytes.Contains(b, []byte("Za")) {
		t.Error("a reject tells the value")
	}
}

// No name, identifier, serial, birth date or resource id of the stories may stand in any file of an export.
func TestNoIdentifierLeaves(t *testing.T) {
	records, inputs := stories(t)
	nosy := implanted("nosy", 1, "2026-04-03")
	nosy.Events[0].Reasons = []string{"Mrs Nobody asked Dr Someone"}
	nosy.Events = append(nosy.Events, implant.Event{ID: "event-nosy2", Kind: implant.EventFollowUp, At: "2026-04-09",
		Values: []string{"NRS 7", "called on 555 0199 by Someone", "Someone 7 Street"}})
	secrets := identifiers(t, inputs)
	secrets = append(secrets, "Nobody", "Someone", "555 0199", "Street", "|Patient/", "Patient/nosy", "event-nosy", "1960-05-17")
	for _, rec := range records {
		for _, p := range rec.Parts {
			secrets = append(secrets, p.ID, p.System)
		}
		for _, e := range rec.Events {
			secrets = append(secrets, e.ID)
		}
	}
	if len(secrets) < 60 {
		t.Fatalf("only %d identifiers found in the stories", len(secrets))
	}
	closed := filepath.Join(t.TempDir(), "closed")
	e := newExporter(t, closed, append(records, nosy)...)
	if _, err := e.Close(context.Background(), "2026-05", signer); err != nil {
		t.Fatal(err)
	}
	out := readMonth(t, filepath.Join(closed, "2026-05"))
	for name, b := range everythingElse(t, e) {
		out[name] = b
	}
	for file, b := range out {
		for _, s := range secrets {
			if bytes.Contains(b, []byte(s)) {
				t.Errorf("%s has %q", file, s)
			}
		}
	}
	if rows := rowsOf(t, filepath.Join(closed, "2026-05")); !slices.ContainsFunc(rows, func(r registry.Row) bool {
		return slices.Equal(r.Values, []string{"NRS 7"}) && slices.Contains(r.Flags, registry.FlagValueHeld)
	}) {
		t.Error("the value of the right form did not leave, or the others are not flagged")
	}
}

// everythingElse is what leaves beside a month, with the smallest numbers told: reports, FHIR and a re-key map.
func everythingElse(t *testing.T, e *Exporter) map[string][]byte {
	t.Helper()
	ctx, out := context.Background(), map[string][]byte{}
	e.SmallCells = 1
	for name, report := range map[string]func(context.Context, time.Time) (Report, error){"quality/": e.Quality, "figures/": e.Figures} {
		r, err := report(ctx, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range r.Files {
			out[name+f.Name] = f.Bytes
		}
	}
	dir := filepath.Join(t.TempDir(), "bulk")
	if _, err := e.Bulk(t.Context(), BulkQuery{}, dir); err != nil {
		t.Fatal(err)
	}
	for name, b := range readMonth(t, dir) {
		out["bulk/"+name] = b
	}
	e.Key = after(t, e.Key, secondKey)
	maps := filepath.Join(t.TempDir(), "maps")
	if _, err := e.RekeyMaps(t.Context(), maps); err != nil {
		t.Fatal(err)
	}
	for name, b := range readMonth(t, maps) {
		out["maps/"+name] = b
	}
	if len(out) < 15 {
		t.Fatalf("only %d files: nothing was tested", len(out))
	}
	return out
}

// identifiers collects from the messages what names a person, a device or a resource.
func identifiers(t *testing.T, inputs [][]byte) (out []string) {
	var walk func(v any, key string)
	walk = func(v any, key string) {
		switch x := v.(type) {
		case map[string]any:
			for k, y := range x {
				walk(y, k)
			}
		case []any:
			for _, y := range x {
				walk(y, key)
			}
		case string:
			switch key {
			case "family", "given", "serialNumber", "birthDate", "value", "id", "div", "carrierHRF":
				// Short numbers and words are in any hash by chance.
				if len(x) >= 3 && strings.Trim(x, "0123456789abcdef") != "" {
					out = append(out, x)
				}
			}
		}
	}
	for _, b := range inputs {
		var v any
		if json.Unmarshal(b, &v) == nil { // some messages are broken on purpose
			walk(v, "")
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// edit changes a store of a few records at random, in ways that a month later shows: things come, change, go, are
// mended, or no longer pass the checks.
func edit(t *rapid.T, records []implant.Record) []implant.Record {
	days := []implant.When{"2026-01-15", "2026-02", "2026-03-08", "2026", "", "2026-05-20", "[2026-02-03,2026-03-02]"}
	for range rapid.IntRange(0, 6).Draw(t, "edits") {
		i := rapid.IntRange(0, 4).Draw(t, "patient")
		rec := implanted(fmt.Sprint(i), rapid.IntRange(1, 3).Draw(t, "parts"), rapid.SampledFrom(days).Draw(t, "day"))
		rec.Parts[0].Component.Lot = rapid.SampledFrom([]string{"A1", "B2", "B2\x07", ""}).Draw(t, "lot")
		if rapid.Bool().Draw(t, "complication") {
			rec.Events = append(rec.Events, implant.Event{ID: "event-c" + fmt.Sprint(i), Kind: implant.EventComplication,
				At: rapid.SampledFrom(days).Draw(t, "second day"), Values: []string{rapid.SampledFrom([]string{"infection", "seroma"}).Draw(t, "what")}})
		}
		records = slices.DeleteFunc(slices.Clone(records), func(r implant.Record) bool { return r.Patient == rec.Patient })
		if !rapid.Bool().Draw(t, "goes") {
			records = append(records, rec)
		}
	}
	return records
}

// A registry that applies all closed months in order holds exactly what the store holds: every row that passes the
// checks and is due, as it is now, and nothing else.
func TestAppliedMonthsAreTheStore(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		closed, err := os.MkdirTemp(t.TempDir(), "closed")
		if err != nil {
			rt.Fatal(err)
		}
		holds := map[string]registry.Row{}
		var records []implant.Record
		for _, period := range []string{"2026-01", "2026-02", "2026-04"} {
			records = edit(rt, records)
			e := newExporter(t, closed, records...)
			e.fast = true
			open, err := e.Export(context.Background(), period, filepath.Join(closed, "open"))
			early := errors.As(err, new(TooEarlyError))
			if err != nil && !early {
				rt.Fatal(err)
			}
			r, err := e.close(context.Background(), period, signer, true)
			if err != nil {
				rt.Fatal(err)
			}
			if early {
				if r.Manifest.Registry.Counts.Rows != 0 {
					rt.Fatal("the month was refused as before anything on record, and has rows")
				}
			} else if a, b := readMonth(t, open.Dir), readMonth(t, r.Dir); !bytes.Equal(a[RowsNDJSON], b[RowsNDJSON]) {
				rt.Fatal("the open month did not say what the closed one says")
			}
			for _, row := range rowsOf(t, r.Dir) {
				if err := registry.Apply(holds, row); err != nil {
					rt.Fatal(err)
				}
			}
			compareHoldings(rt, holds, expected(t, e, period))
		}
		v, err := Verify(closed, signer.Public().(ed25519.PublicKey), "")
		if err != nil || len(v.Faults) > 0 || len(v.Notes) > 0 || len(v.Months) != 3 {
			rt.Fatalf("%v %+v", err, v)
		}
	})
}

// expected gives what a registry should hold, straight from the records: no sorting, merging or file in between.
func expected(t testing.TB, e *Exporter, period string) map[string]registry.Row {
	w, err := e.newWorker(period)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]registry.Row{}
	for _, rec := range e.Store.(memory).records {
		for _, row := range registry.Rows(rec, e.Key.Pseudonym) {
			row.PeriodOfReport = period
			if row.EarliestPeriod() > period || len(registry.Check(row))+len(w.schema.Value(row.Value())) > 0 {
				continue
			}
			if other, ok := out[row.RowID]; ok { // one device on the records of two patients: the row that sorts first stands
				a, _ := encodeRow(other)
				if b, _ := encodeRow(row); bytes.Compare(a, b) < 0 {
					continue
				}
			}
			out[row.RowID] = row
		}
	}
	return out
}

func compareHoldings(t *rapid.T, holds, want map[string]registry.Row) {
	n := 0
	for id, r := range holds {
		if r.Action == registry.ActionRetract {
			continue
		}
		n++
		if w, ok := want[id]; !ok || !registry.Same(r, w) {
			t.Fatalf("the registry holds %+v, the store %+v", r, w)
		}
	}
	if n != len(want) {
		t.Fatalf("the registry holds %d rows, the store %d", n, len(want))
	}
}

func TestClosedMonthsStay(t *testing.T) {
	ctx, closed := context.Background(), filepath.Join(t.TempDir(), "closed")
	e := newExporter(t, closed, implanted("1", 2, "2026-02-03"))
	if _, err := e.Close(ctx, "2026-02", signer); err != nil {
		t.Fatal(err)
	}
	before := readMonth(t, filepath.Join(closed, "2026-02"))
	e.Store = memory{records: []implant.Record{implanted("1", 3, "2026-02-03")}}
	for _, period := range []string{"2026-02", "2026-01"} {
		if _, err := e.Close(ctx, period, signer); err == nil {
			t.Errorf("%s is closed after 2026-02", period)
		}
	}
	if _, err := e.Export(ctx, "2026-01", t.TempDir()); err == nil {
		t.Error("a month before the last closed one is written as open")
	}
	r, err := e.Export(ctx, "2026-02", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range readMonth(t, r.Dir) {
		if !bytes.Equal(b, before[name]) {
			t.Errorf("%s of the closed month is not given as it was closed", name)
		}
	}
	next, err := e.Export(ctx, "2026-03", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if c := next.Manifest.Registry.Counts; c.New != 1 || c.Late != 1 || c.Rows != 1 || next.Manifest.Registry.Status != Open {
		t.Errorf("the late component: %+v", c)
	}
	e.Key, _ = NewKey("north", append([]byte("new"), testKey...))
	if _, err := e.Export(ctx, "2026-03", t.TempDir()); err == nil || !strings.Contains(err.Error(), "key") {
		t.Errorf("another key after a closed month: %v", err)
	}
}
