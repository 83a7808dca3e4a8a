package files

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gaussline/mapping/registry"
)

// Months before and after any changes of key are followed as one by the re-key maps, without a key; and a map that lacks a
// pseudonym, or leads one that is reported again elsewhere, is found.
func TestMonthsMapOntoEachOther(t *testing.T) {
	public := signer.Public().(ed25519.PublicKey)
	changes, again := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "months")
		if err != nil {
			rt.Fatal(err)
		}
		closed, maps := filepath.Join(dir, "closed"), filepath.Join(dir, "maps")
		w, key := &clinicWorld{into: map[string]string{}}, newExporter(t, "").Key
		var e *Exporter
		reported := map[string]string{} // row by its pseudonym under the key in force → key id it was first reported under
		for i, period := range []string{"2026-01", "2026-02", "2026-03", "2026-05"} {
			for range rapid.IntRange(0, 6).Draw(rt, "acts") {
				w.act(rt)
			}
			if i > 0 && rapid.Bool().Draw(rt, "change of key") {
				next := after(t, key, fmt.Sprintf("the key of this registry after change %d", i))
				for old, under := range reported {
					now, err := next.Rekey(key.ID(), registry.DomainRow, old)
					if err != nil {
						rt.Fatal(err)
					}
					delete(reported, old)
					reported[now] = under
				}
				key = next
				changes++
			}
			e = newExporter(t, closed, w.records()...)
			e.fast, e.Key = true, key
			r, err := e.close(context.Background(), period, signer, true)
			if err != nil {
				rt.Fatal(err)
			}
			for _, row := range rowsOf(t, r.Dir) {
				if reported[row.RowID] == "" {
					reported[row.RowID] = key.ID()
				}
			}
		}
		written, err := e.RekeyMaps(t.Context(), maps)
		if err != nil || len(written) == 0 {
			return // the key never changed after a month
		}
		v, err := Verify(closed, public, maps)
		if err != nil || len(v.Faults) > 0 || len(v.Notes) > 0 || len(v.Months) != 4 {
			rt.Fatalf("%v %+v", err, v)
		}
		again += harmMaps(rt, closed, written, rowsOf(t, filepath.Join(closed, "2026-05")), reported)
	})
	if changes == 0 || again == 0 {
		t.Errorf("%d changes of key, %d rows reported again after one: not all was tried", changes, again)
	}
}

// harmMaps harms a map in one way after another, and wants each harm to be found; reported says under which key a row was
// first reported. It gives how many rows of the last month were reported again after the change.
func harmMaps(rt *rapid.T, closed string, maps []RekeyMap, last []registry.Row, reported map[string]string) (again int) {
	m := rapid.SampledFrom(maps).Draw(rt, "map")
	whole, err := os.ReadFile(m.Path)
	if err != nil {
		rt.Fatal(err)
	}
	lines := strings.SplitAfter(strings.TrimSuffix(string(whole), "\n"), "\n")
	if len(lines) < 2 {
		return 0 // no month before the change said anything
	}
	found := func(what string, lines []string) {
		if err := os.WriteFile(m.Path, []byte(strings.Join(lines, "")), 0o600); err != nil {
			rt.Fatal(err)
		}
		v, err := Verify(closed, nil, filepath.Dir(m.Path))
		if err == nil && len(v.Faults) == 0 {
			rt.Fatalf("%s: not found", what)
		}
		if err := os.WriteFile(m.Path, whole, 0o600); err != nil {
			rt.Fatal(err)
		}
	}
	n := rapid.IntRange(1, len(lines)-1).Draw(rt, "line")
	found("a line taken off", slices.Delete(slices.Clone(lines), n, n+1))
	found("a line twice", slices.Insert(slices.Clone(lines), n, lines[n]))
	found("no header", lines[1:])
	if n > 1 && strings.HasPrefix(lines[n], strings.SplitAfter(lines[n-1], ",")[0]) {
		two := slices.Clone(lines)
		two[n] = strings.Join(append(strings.SplitAfter(lines[n], ",")[:2], strings.SplitAfter(lines[n-1], ",")[2]), "")
		if !strings.HasSuffix(two[n], "\n") {
			two[n] += "\n"
		}
		found("two lead to one", two)
	}
	for i, l := range lines {
		for _, row := range last {
			if again == 0 && row.Version > 1 && strings.HasPrefix(l, registry.DomainRow+",") && strings.Contains(l, ","+row.RowID) &&
				strings.HasPrefix(filepath.Base(m.Path), reported[row.RowID]) {
				elsewhere := slices.Clone(lines)
				elsewhere[i] = strings.Replace(l, ","+row.RowID, ","+strings.Repeat("0", 64), 1)
				found("a row that is reported again leads elsewhere", elsewhere)
				again++
			}
		}
	}
	return again
}

// Maps that are none say so.
func TestMapsThatAreNone(t *testing.T) {
	closed, dir := filepath.Join(t.TempDir(), "closed"), t.TempDir()
	if _, err := newExporter(t, closed, implanted("1", 1, "2026-01-03")).Close(t.Context(), "2026-01", signer); err != nil {
		t.Fatal(err)
	}
	id, now := strings.Repeat("a", 64), strings.Repeat("b", 64)
	for name, c := range map[string]struct{ file, text, want string }{
		"name":       {"map.csv", rekeyHeader + "\n", "FORMER-CURRENT.csv"},
		"header":     {"00000000-11111111.csv", "old,new,domain\n", "first line"},
		"kind":       {"00000000-11111111.csv", rekeyHeader + "\nperson," + id + "," + now + "\n", "no kind"},
		"short":      {"00000000-11111111.csv", rekeyHeader + "\nrow," + id[1:] + "," + now + "\n", "that is none"},
		"long":       {"00000000-11111111.csv", rekeyHeader + "\nrow," + id + "a," + now + "\n", "that is none"},
		"upper case": {"00000000-11111111.csv", rekeyHeader + "\nrow," + strings.ToUpper(id) + "," + now + "\n", "that is none"},
		"order":      {"00000000-11111111.csv", rekeyHeader + "\nrow," + id + "," + now + "\nevent," + id + "," + now + "\n", "not in order"},
		"cells":      {"00000000-11111111.csv", rekeyHeader + "\nrow," + id + "\n", "wrong number of fields"},
	} {
		if _, err := Verify(closed, nil, put(t, dir, c.file, []byte(c.text))); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if _, err := Verify(closed, nil, t.TempDir()); err == nil || !strings.Contains(err.Error(), "holds no re-key map") {
		t.Errorf("empty folder: %v", err)
	}
	two := t.TempDir()
	put(t, two, "00000000-11111111.csv", []byte(rekeyHeader+"\n"))
	put(t, two, "22222222-33333333.csv", []byte(rekeyHeader+"\n"))
	if _, err := Verify(closed, nil, two); err == nil || !strings.Contains(err.Error(), "another key") {
		t.Errorf("maps to two keys: %v", err)
	}
	// A map of another registry: the month's key is neither its former nor its current one.
	v, err := Verify(closed, nil, filepath.Join(two, "00000000-11111111.csv"))
	if err != nil || !strings.Contains(strings.Join(v.Faults, "\n"), "no re-key map from key") {
		t.Errorf("%v %+v", err, v)
	}
}
