package files

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"

	"gaussline/adapters/checks"
	"gaussline/mapping/registry"
)

// maxFaults is how many faults one verification tells.
const maxFaults = 200

// Verified is what a verification found.
type Verified struct {
	Months []Month
	Faults []string // empty: everything holds
	Notes  []string // what was not checked, and why
	// Unsigned counts the closed months whose signature was not checked, since no key was given.
	Unsigned int
}

func (v *Verified) fault(format string, args ...any) {
	if len(v.Faults) < maxFaults {
		v.Faults = append(v.Faults, fmt.Sprintf(format, args...))
	}
}

// Verify checks the folder of a month, or a folder of months, without a store or network: the signature (against
// key; nil: not checked, and said so), the files against the manifest, each row against the schema, the order of
// the rows, CSV against NDJSON, the counts; and over several months the chain of manifests and of each row's
// versions, across a change of the pseudonym key by the registry's re-key maps (a file, or a folder of them; "" none).
// The error is for a folder that holds no month, or maps that are none.
func Verify(dir string, key ed25519.PublicKey, maps string) (Verified, error) {
	var v Verified
	var rekey *rekeyMaps
	if maps != "" {
		var err error
		if rekey, err = readRekeyMaps(maps); err != nil {
			return v, err
		}
	}
	if _, err := os.Stat(filepath.Join(dir, ManifestFile)); err == nil {
		if m, _, ok := v.month(dir, key); ok && rekey != nil && len(v.Faults) == 0 {
			v.mapped(history{{period: m.Registry.Period, dir: dir, manifest: m}}, rekey)
		}
		return v, nil
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		return v, err
	}
	var chain history
	previous := ""
	for _, d := range list {
		sub := filepath.Join(dir, d.Name())
		if !d.IsDir() || registry.CheckMonth(d.Name()) != nil {
			continue
		}
		m, raw, ok := v.month(sub, key)
		if !ok {
			continue
		}
		if m.Registry.Previous != previous {
			v.fault("%s: names %q as the manifest before it, which is %q", sub, m.Registry.Previous, previous)
		}
		previous = Hash(raw)
		chain = append(chain, closedMonth{period: d.Name(), dir: sub, manifest: m})
	}
	if len(v.Months) == 0 && len(v.Faults) == 0 {
		return v, fmt.Errorf("%s: holds no month (no %s)", dir, ManifestFile)
	}
	if len(v.Faults) == 0 {
		if rekey != nil {
			v.mapped(chain, rekey)
		}
		if len(v.Faults) == 0 {
			v.versions(chain, rekey)
		}
	}
	return v, nil
}

// mapped checks that every pseudonym of a month that was made under a former key is in its map, also those of rejects.
func (v *Verified) mapped(chain history, rekey *rekeyMaps) {
	for _, c := range chain {
		from := c.manifest.Registry.KeyID
		if from == rekey.ID() {
			continue
		}
		err := eachPseudonym(c, func(domain, id string) error {
			_, err := rekey.Rekey(from, domain, id)
			return err
		})
		if err != nil {
			v.fault("%s: %v", c.dir, err)
		}
	}
	if n := rekey.unused(); n > 0 && len(v.Faults) == 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("the re-key maps hold %d pseudonyms that no month here has", n))
	}
}

// versions goes through all reports of all rows.
func (v *Verified) versions(chain history, rekey *rekeyMaps) {
	if rekey != nil {
		tmp, err := os.MkdirTemp("", "gaussline-verify-*")
		if err != nil {
			v.fault("%v", err)
			return
		}
		defer func() { _ = os.RemoveAll(tmp) }()
		v.follow(chain, rekey, tmp)
		return
	}
	same := 1
	for same < len(chain) && chain[same].manifest.Registry.KeyID == chain[0].manifest.Registry.KeyID {
		same++
	}
	if same < len(chain) {
		v.Notes = append(v.Notes, fmt.Sprintf("%s: the pseudonym key changed; from here on the versions of rows were not followed: give the re-key maps (--rekey)", chain[same].dir))
		chain = chain[:same]
	}
	v.follow(chain, nil, "")
}

func (v *Verified) follow(chain history, key rekeyer, tmp string) {
	r, err := chain.open(key, tmp)
	for err == nil && r.row != nil {
		err = r.next()
	}
	if err = errors.Join(err, r.close()); err != nil {
		v.fault("%v", err)
	}
}

// month checks one folder.
func (v *Verified) month(dir string, key ed25519.PublicKey) (m Manifest, raw []byte, ok bool) {
	m, raw, err := ReadManifest(dir)
	if err != nil {
		v.fault("%v", err)
		return m, nil, false
	}
	v.Months = append(v.Months, m.Registry)
	v.signature(dir, m, raw, key)
	v.resources(dir, m)
	if len(v.Faults) == 0 {
		v.rows(dir, m)
		v.rejects(dir, m)
	}
	return m, raw, true
}

func (v *Verified) signature(dir string, m Manifest, raw []byte, key ed25519.PublicKey) {
	sig, err := os.ReadFile(filepath.Join(dir, SignatureFile))
	switch {
	case errors.Is(err, os.ErrNotExist) && m.Registry.Status == Open:
		v.Notes = append(v.Notes, fmt.Sprintf("%s: the month is open, it is not signed", dir))
	case err != nil:
		v.fault("%s: no signature of a closed month: %v", dir, err)
	case key == nil:
		v.Unsigned++
		v.Notes = append(v.Notes, fmt.Sprintf("%s: the signature was not checked, no public key was given", dir))
	case !ed25519.Verify(key, raw, sig):
		v.fault("%s: the signature is not that of the key over %s", dir, ManifestFile)
	}
}

// resources checks that the files are those that the manifest names, byte by byte.
func (v *Verified) resources(dir string, m Manifest) {
	known := []string{ManifestFile, SignatureFile}
	for _, r := range m.Resources {
		known = append(known, r.Path)
		if r.Path != filepath.Base(r.Path) {
			v.fault("%s: the manifest names a file outside the folder: %q", dir, r.Path)
			continue
		}
		hash, size, err := hashFile(filepath.Join(dir, r.Path))
		switch {
		case err != nil:
			v.fault("%v", err)
		case size != r.Bytes || hash != r.Hash:
			v.fault("%s: the file has changed: %d bytes %s, the manifest says %d bytes %s", filepath.Join(dir, r.Path), size, hash, r.Bytes, r.Hash)
		}
	}
	for _, name := range []string{RowsNDJSON, RowsCSV, RejectsNDJSON, RejectsCSV, RowSchema} {
		if _, ok := m.Resource(name); !ok {
			v.fault("%s: the manifest does not name %s", dir, name)
		}
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		v.fault("%v", err)
	}
	for _, f := range list {
		if !slices.Contains(known, f.Name()) {
			v.fault("%s: is not of the month", filepath.Join(dir, f.Name()))
		}
	}
}

func hashFile(path string) (hash string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return "sha256:" + hex.EncodeToString(h.Sum(nil)), size, err
}

// rows checks each row, its twin in the CSV, and the counts.
func (v *Verified) rows(dir string, m Manifest) {
	schema := v.schema(dir, m)
	counts, last := Counts{ByKind: map[string]int64{}}, ""
	n := v.twins(dir, RowsNDJSON, RowsCSV, registry.Columns(), func(at string, line []byte) ([]string, error) {
		row, err := decodeRow(line)
		if err != nil {
			return nil, err
		}
		if row.RowID <= last {
			v.fault("%s: rows are not in order of row_id, or one is there twice", at)
		}
		last = row.RowID
		if row.PeriodOfReport != m.Registry.Period {
			v.fault("%s: the row is of the month %s", at, row.PeriodOfReport)
		}
		if schema != nil {
			problems, err := schema.JSON(line)
			if err != nil {
				return nil, err
			}
			for _, p := range problems {
				v.fault("%s: %q does not fit the schema at %s", at, p.Pointer, p.Rule)
			}
		}
		counts.count(row)
		return row.Cells(), nil
	})
	counts.RejectedRows, counts.Rejects = m.Registry.Counts.RejectedRows, m.Registry.Counts.Rejects
	if r, _ := m.Resource(RowsNDJSON); !reflect.DeepEqual(counts, m.Registry.Counts) || r.Lines != n {
		v.fault("%s: the counts of the manifest are not those of the rows: counted %+v", dir, counts)
	}
}

// schema gives the schema of the folder when it is the one this program has; rows of another version are not
// checked against it.
func (v *Verified) schema(dir string, m Manifest) *checks.Schema {
	own, err := rowSchemaBytes()
	if err != nil {
		v.fault("%v", err)
		return nil
	}
	if r, _ := m.Resource(RowSchema); r.Hash != Hash(own) {
		v.Notes = append(v.Notes, fmt.Sprintf("%s: rows were not checked against the schema: it is not the version of this program", dir))
		return nil
	}
	s, err := rowSchema()
	if err != nil {
		v.fault("%v", err)
	}
	return s
}

// rejects checks the reject lists against each other and the counts.
func (v *Verified) rejects(dir string, m Manifest) {
	ids := map[string]bool{}
	n := v.twins(dir, RejectsNDJSON, RejectsCSV, registry.RejectColumns(), func(_ string, line []byte) ([]string, error) {
		var r registry.Reject
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		err := d.Decode(&r)
		ids[r.RowID] = true
		return r.Cells(), err
	})
	if c := m.Registry.Counts; c.Rejects != n || c.RejectedRows != int64(len(ids)) {
		v.fault("%s: the manifest counts %d rejects of %d rows, there are %d of %d", dir, c.Rejects, c.RejectedRows, n, len(ids))
	}
}

// twins reads an NDJSON file and its CSV twin side by side; cells gives the CSV cells that a line must have.
func (v *Verified) twins(dir, ndjson, table string, columns []string, cells func(at string, line []byte) ([]string, error)) (n int64) {
	a, err := os.Open(filepath.Join(dir, ndjson))
	if err != nil {
		v.fault("%v", err)
		return 0
	}
	defer a.Close()
	b, err := os.Open(filepath.Join(dir, table))
	if err != nil {
		v.fault("%v", err)
		return 0
	}
	defer b.Close()
	lines, rows := bufio.NewReaderSize(a, runBuffer), csv.NewReader(bufio.NewReaderSize(b, runBuffer))
	if head, err := rows.Read(); err != nil || !slices.Equal(head, columns) {
		v.fault("%s: the first line does not name the columns", filepath.Join(dir, table))
		return 0
	}
	for {
		line, err := readLine(lines)
		if err == io.EOF {
			break
		}
		n++
		at := fmt.Sprintf("%s:%d", filepath.Join(dir, ndjson), n)
		if err != nil {
			v.fault("%s: %v", at, err)
			return n
		}
		want, err := cells(at, line)
		if err != nil {
			v.fault("%s: %v", at, err)
			continue
		}
		if got, err := rows.Read(); err != nil || !slices.Equal(got, want) {
			v.fault("%s: the row in %s is not the same", at, table)
			return n
		}
	}
	if _, err := rows.Read(); err != io.EOF {
		v.fault("%s: has rows that %s does not have", filepath.Join(dir, table), ndjson)
	}
	return n
}

// Kinds lists the kinds of row counted, sorted, for printing.
func (c Counts) Kinds() []string { return slices.Sorted(maps.Keys(c.ByKind)) }
