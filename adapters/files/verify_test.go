package files

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Every fault put into a closed month is found.
func TestVerifyFindsFaults(t *testing.T) {
	ctx := context.Background()
	public := signer.Public().(ed25519.PublicKey)
	replace := func(name, old, new string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			path := filepath.Join(dir, name)
			b, err := os.ReadFile(path)
			if err != nil || !bytes.Contains(b, []byte(old)) {
				t.Fatalf("no %q in %s (%v)", old, name, err)
			}
			if err := os.WriteFile(path, bytes.Replace(b, []byte(old), []byte(new), 1), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	remove := func(name string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			if err := os.Remove(filepath.Join(dir, name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, c := range map[string]struct {
		harm func(*testing.T, string)
		want string
	}{
		"a row changed":       {replace(RowsNDJSON, "TB-L45", "TB-L46"), "has changed"},
		"a cell changed":      {replace(RowsCSV, "TB-L45", "TB-L46"), "has changed"},
		"manifest changed":    {replace(ManifestFile, `"late": 0`, `"late": 1`), "signature"},
		"signature taken off": {remove(SignatureFile), "no signature"},
		"signature changed":   {func(t *testing.T, dir string) { flipByte(t, filepath.Join(dir, SignatureFile)) }, "signature"},
		"file taken off":      {remove(RejectsCSV), "no such file"},
		"a file too many": {func(t *testing.T, dir string) {
			if err := os.WriteFile(filepath.Join(dir, "names.csv"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "is not of the month"},
		"status changed":  {replace(ManifestFile, `"status": "closed"`, `"status": "open"`), "signature"},
		"outside folder":  {replace(ManifestFile, `"path": "rows.csv"`, `"path": "../x/rows.csv"`), "outside the folder"},
		"unknown in it":   {replace(ManifestFile, `"registry": {`, `"registri": {`), "unknown field"},
		"manifest halved": {replace(ManifestFile, `"resources"`, ``), ManifestFile},
	} {
		t.Run(name, func(t *testing.T) {
			closed := t.TempDir()
			if _, err := newExporter(t, closed, implanted("1", 2, "2026-02-03")).Close(ctx, "2026-02", signer); err != nil {
				t.Fatal(err)
			}
			dir := filepath.Join(closed, "2026-02")
			if v, err := Verify(dir, public, ""); err != nil || len(v.Faults) > 0 {
				t.Fatalf("before: %v %v", err, v.Faults)
			}
			c.harm(t, dir)
			v, err := Verify(dir, public, "")
			if err != nil || !strings.Contains(strings.Join(v.Faults, "\n"), c.want) {
				t.Errorf("%v, faults %q, want %q", err, v.Faults, c.want)
			}
		})
	}
}

func flipByte(t *testing.T, path string) {
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[0] ^= 1
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
