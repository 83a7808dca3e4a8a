package files

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"

	"gaussline/mapping/registry"
)

// Modes of a re-key map: it joins what the change of key was to part.
const (
	mapFolderMode = 0o700
	mapFileMode   = 0o600
)

// mapName is the file of a re-key map: former key, key in force.
var mapName = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{8}\.csv$`)

// rekeyHeader is the first line of a re-key map.
const rekeyHeader = "domain,old,new"

// ids are the pseudonyms of a row with their domains.
func ids(r *registry.Row) map[string]*string {
	return map[string]*string{registry.DomainRow: &r.RowID, registry.DomainEvent: &r.EventID, registry.DomainPatient: &r.PatientID,
		registry.DomainSystem: &r.SystemID, registry.DomainComponent: &r.ComponentID}
}

// rekeyed writes the rows of a month with today's pseudonyms, sorted by them, to path.
func rekeyed(key rekeyer, c closedMonth, path string) (err error) {
	s := &sorter{dir: filepath.Dir(path), budget: defaultSortBytes}
	defer func() { err = errors.Join(err, s.close()) }()
	from := c.manifest.Registry.KeyID
	err = eachLine(filepath.Join(c.dir, RowsNDJSON), func(line []byte) error {
		row, err := decodeRow(line)
		if err != nil {
			return err
		}
		for domain, id := range ids(&row) {
			if *id, err = key.Rekey(from, domain, *id); err != nil {
				return err
			}
		}
		b, err := encode(row, "")
		if err != nil {
			return err
		}
		return s.add(entry{[]byte(row.RowID), b})
	})
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mapFileMode)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 256<<10)
	err = s.each(func(e entry) error { _, err := w.Write(e.value); return err })
	return errors.Join(err, w.Flush(), f.Close())
}

// eachLine calls f for every line of a file.
func eachLine(path string, f func([]byte) error) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }()
	r := bufio.NewReaderSize(file, runBuffer)
	for {
		line, err := readLine(r)
		if err == io.EOF {
			return nil
		}
		if err == nil {
			err = f(line)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
}

// RekeyMap is a written re-key map.
type RekeyMap struct {
	Path       string
	Pseudonyms int64
}

// RekeyMaps writes, for each former key, the map from every pseudonym that left under it to today's into the folder dir:
// all that a registry may hold from the closed months and their rejects. The files can be read by their owner alone.
// Maps of earlier changes are replaced: they would lead to pseudonyms that are no longer in use.
func (e *Exporter) RekeyMaps(ctx context.Context, dir string) (maps []RekeyMap, err error) {
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, mapFolderMode); err != nil {
		return nil, err
	}
	var former []string
	months := map[string]history{}
	for _, c := range closed {
		id := c.manifest.Registry.KeyID
		if id == e.Key.ID() {
			continue
		}
		if len(months[id]) == 0 {
			former = append(former, id)
		}
		months[id] = append(months[id], c)
	}
	old, err := filepath.Glob(filepath.Join(dir, "*.csv"))
	if err != nil {
		return nil, err
	}
	for _, id := range former {
		m, err := e.rekeyMap(dir, id, months[id])
		if err != nil {
			return maps, err
		}
		maps = append(maps, m)
	}
	for _, path := range old {
		if mapName.MatchString(filepath.Base(path)) && !isMap(maps, path) {
			err = errors.Join(err, os.Remove(path))
		}
	}
	return maps, err
}

func isMap(maps []RekeyMap, path string) bool {
	for _, m := range maps {
		if m.Path == path {
			return true
		}
	}
	return false
}

func (e *Exporter) rekeyMap(dir, from string, months history) (m RekeyMap, err error) {
	s := &sorter{dir: dir, budget: defaultSortBytes}
	defer func() { err = errors.Join(err, s.close()) }()
	take := func(domain, id string) error {
		if id == "" {
			return nil
		}
		now, err := e.Key.Rekey(from, domain, id)
		if err != nil {
			return err
		}
		line, err := csvLine([]string{domain, id, now})
		if err != nil {
			return err
		}
		return s.add(entry{[]byte(domain + " " + id), line})
	}
	for _, c := range months {
		if err := eachPseudonym(c, take); err != nil {
			return m, err
		}
	}
	return e.writeMap(filepath.Join(dir, from+"-"+e.Key.ID()+".csv"), s)
}

// eachPseudonym calls f for every pseudonym of a month, those of its rejects too; "" is none.
func eachPseudonym(c closedMonth, f func(domain, id string) error) error {
	err := eachLine(filepath.Join(c.dir, RowsNDJSON), func(line []byte) error {
		row, err := decodeRow(line)
		for domain, id := range ids(&row) {
			err = errors.Join(err, f(domain, *id))
		}
		return err
	})
	return errors.Join(err, eachLine(filepath.Join(c.dir, RejectsNDJSON), func(line []byte) error {
		var r registry.Reject
		if err := json.Unmarshal(line, &r); err != nil {
			return err
		}
		return errors.Join(f(registry.DomainRow, r.RowID), f(registry.DomainPatient, r.PatientID))
	}))
}

// writeMap writes the map whole or not at all.
func (e *Exporter) writeMap(path string, s *sorter) (m RekeyMap, err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".map-*") // made with mode 0600
	if err != nil {
		return m, err
	}
	defer func() { _ = os.Remove(f.Name()) }() // after the rename there is none
	m.Path = path
	w := bufio.NewWriterSize(f, 256<<10)
	_, err = w.WriteString(rekeyHeader + "\n")
	var last []byte
	if err == nil {
		err = s.each(func(x entry) error {
			if bytes.Equal(x.key, last) {
				return nil
			}
			last = x.key
			m.Pseudonyms++
			_, err := w.Write(x.value)
			return err
		})
	}
	err = errors.Join(err, w.Flush())
	if err == nil && !e.fast {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return m, err
	}
	return m, os.Rename(f.Name(), path)
}

// rekeyMaps lists the maps there are.
func (p *Pull) rekeyMaps(w http.ResponseWriter, _ *http.Request) {
	list, err := os.ReadDir(p.RekeyDir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		say(w, http.StatusServiceUnavailable, "the maps cannot be read; the operator has to look")
		return
	}
	names := []string{}
	for _, f := range list {
		if mapName.MatchString(f.Name()) {
			names = append(names, "/registry/rekey/"+f.Name())
		}
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"maps": names})
}

func (p *Pull) rekeyMap(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	if !mapName.MatchString(name) {
		say(w, http.StatusNotFound, "no such map; GET /registry/rekey lists them")
		return
	}
	path := filepath.Join(p.RekeyDir, name)
	hash, _, err := hashFile(path)
	if err != nil {
		say(w, http.StatusNotFound, "no such map; GET /registry/rekey lists them")
		return
	}
	p.serve(w, r, path, Resource{Path: name, MediaType: "text/csv", Hash: hash})
}
