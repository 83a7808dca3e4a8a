package files

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"gaussline/mapping/registry"
)

// BulkManifest is what a Bulk Data export answers when it is done (HL7 Bulk Data Access 3.0.0, export manifest).
type BulkManifest struct {
	TransactionTime     string     `json:"transactionTime"`
	Request             string     `json:"request"`
	RequiresAccessToken bool       `json:"requiresAccessToken"`
	Output              []BulkFile `json:"output"`
	Deleted             []BulkFile `json:"deleted"`
	Error               []BulkFile `json:"error"`
}

// BulkFile is one NDJSON file of an export, of one type of resource.
type BulkFile struct {
	Type  string `json:"type"`
	URL   string `json:"url"` // file name in the folder; an address over HTTP
	Count int64  `json:"count"`
}

// bulkFile is the manifest's name in the folder.
const bulkFile = "manifest.json"

// deletedFile holds transaction Bundles that delete what no longer holds.
const deletedFile = "deleted.ndjson"

// BulkQuery is what an export is of. Since and Until are instants; "" is without.
type BulkQuery struct {
	Request      string // the address that asked, for the manifest
	Since, Until string
	Types        []string // none: all
}

// Bulk writes what a registry holds that has applied every month closed by Until, as FHIR R4 NDJSON, a file for each type of
// resource, into the folder dir. With Since only what a month closed after that says anew is written, and what it takes
// back is in the file of deletions. Only closed months are told: the same query on the same months gives the same bytes.
//
// Device is outside the Patient compartment: it is named for itself here, and each Device is of one Patient.
func (e *Exporter) Bulk(ctx context.Context, q BulkQuery, dir string) (BulkManifest, error) {
	m := BulkManifest{Request: q.Request, RequiresAccessToken: true, Output: []BulkFile{}, Deleted: []BulkFile{}, Error: []BulkFile{}}
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return m, err
	}
	if q.Until != "" {
		closed = slices.DeleteFunc(closed, func(c closedMonth) bool { return registry.PeriodEnd(c.period) > q.Until })
	}
	m.TransactionTime = cmp.Or(q.Since, "1970-01-01T00:00:00Z") // nothing is told of any later time
	if last := closed.last(); last.period != "" {
		m.TransactionTime = registry.PeriodEnd(last.period)
	}
	f, err := newFolder(dir)
	if err != nil {
		return m, err
	}
	f.fast = e.fast
	defer f.discard()
	s := &sorter{dir: f.tmp, budget: cmp.Or(e.SortBytes, defaultSortBytes)}
	defer func() { _ = s.close() }()
	if err := e.holdings(closed, f.tmp, s); err != nil {
		return m, err
	}
	w := &bulkWriter{q: q, f: f, files: map[string]*output{}}
	if err := w.all(s); err != nil {
		return m, err
	}
	if err := s.close(); err != nil {
		return m, err
	}
	if err := w.close(&m); err != nil {
		return m, err
	}
	b, err := encode(m, " ")
	if err != nil {
		return m, err
	}
	if err := f.put(bulkFile, b); err != nil {
		return m, err
	}
	return m, f.place(true)
}

// holdings sorts the last report of every row by the resources that it is part of.
func (e *Exporter) holdings(closed history, tmp string, s *sorter) (err error) {
	past, err := closed.open(&e.Key, tmp)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, past.close()) }()
	for past.row != nil {
		r := *past.row
		whole, err := encode(r, "")
		if err != nil {
			return err
		}
		id := r.EventID
		if registry.EventType(r.Kind) == "DeviceUseStatement" {
			id = r.RowID
		}
		add := s.add(entry{[]byte(registry.EventType(r.Kind) + "/" + id), whole})
		if r.ComponentID != "" {
			device := registry.Row{Action: r.Action, PeriodOfReport: r.PeriodOfReport, RowID: r.RowID, PatientID: r.PatientID, ComponentID: r.ComponentID, ComponentKind: r.ComponentKind,
				Maker: r.Maker, Model: r.Model, DI: r.DI, Lot: r.Lot, MRStatus: r.MRStatus}
			add = errors.Join(add, addRow(s, "Device/"+r.ComponentID, device))
		}
		for _, old := range past.moved { // patients that were merged since
			add = errors.Join(add, addRow(s, "Patient/"+old.PatientID, old))
		}
		patient := registry.Row{Action: r.Action, PeriodOfReport: r.PeriodOfReport, RowID: r.RowID, PatientID: r.PatientID, BirthYear: r.BirthYear, Sex: r.Sex}
		if err := errors.Join(add, addRow(s, "Patient/"+r.PatientID, patient), past.next()); err != nil {
			return err
		}
	}
	return nil
}

func addRow(s *sorter, key string, r registry.Row) error {
	b, err := encode(r, "")
	return errors.Join(err, s.add(entry{[]byte(key), b}))
}

// bulkWriter makes resources of groups of rows and writes those that the query asks for.
type bulkWriter struct {
	q     BulkQuery
	f     *folder
	files map[string]*output
}

func (w *bulkWriter) all(s *sorter) error {
	var key []byte
	var rows []registry.Row
	err := s.each(func(e entry) error {
		if !bytes.Equal(e.key, key) {
			if err := w.group(string(key), rows); err != nil {
				return err
			}
			key, rows = bytes.Clone(e.key), rows[:0]
		}
		row, err := decodeRow(e.value)
		rows = append(rows, row)
		return err
	})
	return errors.Join(err, w.group(string(key), rows))
}

// group writes the resource of one key: as the rows that hold have it, or its deletion when none holds any more.
func (w *bulkWriter) group(key string, rows []registry.Row) error {
	typ, id, _ := strings.Cut(key, "/")
	if len(rows) == 0 || len(w.q.Types) > 0 && !slices.Contains(w.q.Types, typ) {
		return nil
	}
	fresh := slices.ContainsFunc(rows, func(r registry.Row) bool { return registry.PeriodEnd(r.PeriodOfReport) > w.q.Since })
	if !fresh {
		return nil
	}
	var hold []registry.Row
	for _, r := range rows {
		if r.Action != registry.ActionRetract {
			hold = append(hold, r)
		}
	}
	switch {
	case len(hold) > 0:
		return w.write(typ+".ndjson", resourceOf(typ, hold))
	case w.q.Since != "":
		return w.write(deletedFile, registry.Object{"resourceType": "Bundle", "type": "transaction",
			"entry": registry.Array{registry.Object{"request": registry.Object{"method": "DELETE", "url": typ + "/" + id}}}})
	}
	return nil
}

// resourceOf makes the resource of the rows that hold. Of a patient or component the newest report speaks.
func resourceOf(typ string, rows []registry.Row) registry.Object {
	newest := slices.MaxFunc(rows, func(a, b registry.Row) int {
		return cmp.Or(strings.Compare(a.PeriodOfReport, b.PeriodOfReport), strings.Compare(a.RowID, b.RowID))
	})
	switch typ {
	case "Patient":
		return registry.PatientResource(newest)
	case "Device":
		return registry.DeviceResource(newest)
	}
	return registry.EventResource(rows)
}

func (w *bulkWriter) write(name string, resource registry.Object) error {
	o := w.files[name]
	if o == nil {
		var err error
		if o, err = w.f.create(name); err != nil {
			return err
		}
		w.files[name] = o
	}
	b, err := encode(resource, "")
	return errors.Join(err, o.line(b))
}

func (w *bulkWriter) close(m *BulkManifest) error {
	var errs []error
	for _, typ := range append(registry.FHIRTypes(), "Bundle") {
		name := typ + ".ndjson"
		if typ == "Bundle" {
			name = deletedFile
		}
		o := w.files[name]
		if o == nil {
			continue
		}
		r, err := o.close(Resource{})
		errs = append(errs, err)
		file := BulkFile{Type: typ, URL: name, Count: r.Lines}
		if typ == "Bundle" {
			m.Deleted = append(m.Deleted, file)
		} else {
			m.Output = append(m.Output, file)
		}
	}
	return errors.Join(errs...)
}

// readBulk reads the manifest of a finished export.
func readBulk(dir string) (m BulkManifest, err error) {
	b, err := os.ReadFile(filepath.Join(dir, bulkFile))
	if err != nil {
		return m, err
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return m, fmt.Errorf("%s: %w", dir, err)
	}
	return m, nil
}
