package files

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/csv"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// after gives the test key with another put in force after it.
func after(t testing.TB, k Key, secret string) Key {
	t.Helper()
	next, err := NewKey("north", []byte(secret))
	if err != nil {
		t.Fatal(err)
	}
	if next, err = next.After(k); err != nil {
		t.Fatal(err)
	}
	return next
}

const secondKey, thirdKey = "another key of the same registry, 2026", "and a third one, of the year after that"

// readMap gives the pairs of a re-key map by domain and old pseudonym.
func readMap(t testing.TB, path string) map[string]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]string{}
	for _, l := range lines[1:] {
		m[l[0]+" "+l[1]] = l[2]
	}
	if len(m) != len(lines)-1 {
		t.Errorf("%s has a pseudonym twice", path)
	}
	return m
}

// A registry that applies months, then the re-key map, then the next months holds what the store holds, and a
// component that is on no record any more is retracted under its new pseudonym.
func TestMonthsGoOnAfterTheKeyChanged(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	closed, maps := filepath.Join(dir, "closed"), filepath.Join(dir, "maps")
	stays, goes, changes := implanted("stays", 2, "2026-01-03"), implanted("goes", 1, "2026-01-03"), implanted("changes", 1, "2026-01-03")
	bad := implanted("bad", 1, "2026-01-03")
	bad.Parts[0].Component.Lot = "B2\x07"
	e := newExporter(t, closed, stays, goes, changes, bad)
	if _, err := e.Close(ctx, "2026-01", signer); err != nil {
		t.Fatal(err)
	}
	holds := map[string]registry.Row{}
	apply := func(period string) {
		for _, row := range rowsOf(t, filepath.Join(closed, period)) {
			if err := registry.Apply(holds, row); err != nil {
				t.Fatalf("%s: %v", period, err)
			}
		}
	}
	apply("2026-01")
	changes.Parts[0].Component.Lot = "NEW"
	for i, secret := range []string{secondKey, thirdKey} {
		e.Key = after(t, e.Key, secret)
		e.Store = memory{records: []implant.Record{stays, changes, implanted("late", 1, "2026-02-01")}}
		written, err := e.RekeyMaps(ctx, maps)
		if err != nil || len(written) != 1+i {
			t.Fatalf("%v, %v", written, err)
		}
		// Each month's rows go by the map of the key they were made with; after i changes the newest is the last.
		m := readMap(t, written[len(written)-1].Path)
		rekeyedHolds := map[string]registry.Row{}
		for _, row := range holds {
			for domain, id := range ids(&row) {
				if *id == "" {
					continue
				}
				if _, ok := m[domain+" "+*id]; !ok && i == 0 {
					t.Fatalf("the map does not have the %s %s", domain, *id)
				}
				now, err := e.Key.Rekey(keyID([]byte(map[int]string{0: string(testKey), 1: secondKey}[i])), domain, *id)
				if err != nil {
					t.Fatal(err)
				}
				if mapped, ok := m[domain+" "+*id]; ok && mapped != now {
					t.Fatalf("the map leads to another pseudonym")
				}
				*id = now
			}
			rekeyedHolds[row.RowID] = row
		}
		holds = rekeyedHolds
		period := []string{"2026-02", "2026-03"}[i]
		if _, err := e.Close(ctx, period, signer); err != nil {
			t.Fatal(err)
		}
		apply(period)
		want := expected(t, e, period)
		if !sameHoldings(holds, want) {
			t.Errorf("%s: the registry does not hold what the store holds", period)
		}
	}
	c := rowsOf(t, filepath.Join(closed, "2026-02"))
	actions := map[string]int{}
	for _, r := range c {
		actions[r.Action]++
	}
	if actions[registry.ActionRetract] != 1 || actions[registry.ActionAmend] != 1 || actions[registry.ActionNew] != 1 {
		t.Errorf("after the change of key: %v", actions)
	}
	if list, err := filepath.Glob(filepath.Join(closed, "2026-02", "*rekeyed*")); err != nil || len(list) > 0 {
		t.Errorf("left in the month: %v %v", list, err)
	}
	v, err := Verify(closed, signer.Public().(ed25519.PublicKey), "")
	if err != nil || len(v.Faults) > 0 || len(v.Notes) != 1 || !strings.Contains(v.Notes[0], "pseudonym key changed") {
		t.Errorf("%v %+v", err, v)
	}
	v, err = Verify(closed, signer.Public().(ed25519.PublicKey), maps)
	if err != nil || len(v.Faults) > 0 || len(v.Notes) != 0 || len(v.Months) != 3 {
		t.Errorf("with the maps: %v %+v", err, v)
	}
}

func TestKeysInARow(t *testing.T) {
	k := newExporter(t, "").Key
	k2 := after(t, k, secondKey)
	k3 := after(t, k2, thirdKey)
	p := k.Pseudonym("patient", "a")
	if got, err := k3.Rekey(k.ID(), "patient", p); err != nil || got != k3.Pseudonym("patient", "a") || got == p || got == k2.Pseudonym("patient", "a") {
		t.Errorf("re-keyed to %s, %v", got, err)
	}
	alone, _ := NewKey("north", []byte(secondKey))
	if alone.Pseudonym("patient", "a") == k2.Pseudonym("patient", "a") {
		t.Error("the former key plays no part")
	}
	if _, err := k2.Rekey(k3.ID(), "patient", p); err == nil {
		t.Error("re-keyed from a key that is not known")
	}
	if _, err := alone.After(k2); err == nil {
		t.Error("one key twice")
	}
	dir := t.TempDir()
	a, b := put(t, dir, "a", testKey), put(t, dir, "b", []byte(secondKey))
	if read, err := ReadKeys("north", b, []string{a}); err != nil || read.Pseudonym("row", "x") != k2.Pseudonym("row", "x") {
		t.Errorf("read from files: %v", err)
	}
	if _, err := ReadKeys("north", b, []string{b}); err == nil {
		t.Error("a former key that is the key in force is taken")
	}
}

// A map is for its owner alone, is given over HTTP by its name and nothing else is, and of two changes the older map is gone.
func TestRekeyMapsAreProtected(t *testing.T) {
	p, _ := newPull(t)
	p.RekeyDir = filepath.Join(t.TempDir(), "maps")
	if r := get(t, p, "/registry/rekey"); r.status != http.StatusOK || strings.Contains(string(r.body), "csv") {
		t.Errorf("before: %d %s", r.status, r.body)
	}
	p.Exporter.Key = after(t, p.Exporter.Key, secondKey)
	maps, err := p.Exporter.RekeyMaps(t.Context(), p.RekeyDir)
	if err != nil || len(maps) != 1 {
		t.Fatalf("%v %v", maps, err)
	}
	stale := put(t, p.RekeyDir, "00000000-11111111.csv", []byte("domain,old,new\n"))
	if maps, err = p.Exporter.RekeyMaps(t.Context(), p.RekeyDir); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(stale); err == nil {
		t.Error("a map to pseudonyms that are out of use is still there")
	}
	for path, want := range map[string]os.FileMode{maps[0].Path: 0o600, p.RekeyDir: 0o700} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v %v, want %v", path, info.Mode().Perm(), err, want)
		}
	}
	name := filepath.Base(maps[0].Path)
	if r := get(t, p, "/registry/rekey"); !strings.Contains(string(r.body), "/registry/rekey/"+name) {
		t.Errorf("list: %s", r.body)
	}
	if r := get(t, p, "/registry/rekey/"+name); r.status != http.StatusOK || int64(bytes.Count(r.body, []byte("\n"))) != maps[0].Pseudonyms+1 {
		t.Errorf("map: %d", r.status)
	}
	for _, other := range []string{"..%2fkey", ".map-1", "x.csv", "aaaaaaaa-bbbbbbbb.csv"} {
		if r := get(t, p, "/registry/rekey/"+other); r.status != http.StatusNotFound {
			t.Errorf("%s: %d", other, r.status)
		}
	}
	rows := rowsOf(t, filepath.Join(p.Exporter.ClosedDir, "2026-04"))
	m := readMap(t, maps[0].Path)
	if !slices.ContainsFunc(rows, func(r registry.Row) bool {
		return m["patient "+r.PatientID] == p.Exporter.Key.Pseudonym("patient", "clinic|Patient/1")
	}) {
		t.Error("the map does not lead to today's pseudonym of the patient")
	}
}
