package files

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"gaussline/mapping/registry"
)

// maxLineBytes bounds one row of a closed month.
const maxLineBytes = 1 << 20

// closedMonth is the folder of a month that is closed.
type closedMonth struct {
	period, dir, hash string
	manifest          Manifest
}

// history is the closed months in order.
type history []closedMonth

// closedMonths lists the closed months, and checks that each names the manifest before it and that they are those which
// the ledger has.
func (e *Exporter) closedMonths(ctx context.Context) (history, error) {
	if e.ClosedDir == "" {
		return nil, nil
	}
	kept, err := e.Ledger.closed(ctx, e.Registry)
	if err == nil {
		err = e.settle(kept)
	}
	if err != nil {
		return nil, err
	}
	list, err := e.folders()
	if err != nil {
		return nil, err
	}
	return list, e.agrees(list, kept)
}

// folders lists the folders of the closed months.
func (e *Exporter) folders() (history, error) {
	list, err := os.ReadDir(e.ClosedDir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out history
	for _, d := range list {
		if !d.IsDir() || registry.CheckMonth(d.Name()) != nil {
			continue
		}
		c := closedMonth{period: d.Name(), dir: filepath.Join(e.ClosedDir, d.Name())}
		var raw []byte
		if c.manifest, raw, err = ReadManifest(c.dir); err != nil {
			return nil, err
		}
		c.hash = Hash(raw)
		m := c.manifest.Registry
		if m.Period != c.period || m.Status != Closed || m.Previous != out.last().hash || m.Registry != e.Registry {
			return nil, fmt.Errorf("%s: the manifest is not that of a closed month of %s which follows %q; the chain of closed months is broken",
				c.dir, e.Registry, out.last().period)
		}
		if !e.Key.Knows(m.KeyID) {
			return nil, fmt.Errorf("%s was closed with pseudonym key %s, the key now is %s: rows would not join; name the former key, see rekey", c.dir, m.KeyID, e.Key.ID())
		}
		out = append(out, c)
	}
	return out, nil
}

func (h history) last() closedMonth {
	if len(h) == 0 {
		return closedMonth{}
	}
	return h[len(h)-1]
}

func (h history) find(period string) (closedMonth, bool) {
	i := slices.IndexFunc(h, func(c closedMonth) bool { return c.period == period })
	if i < 0 {
		return closedMonth{}, false
	}
	return h[i], true
}

// reported goes through what the closed months said, the last report of each row, by row id.
type reported struct {
	files []*os.File
	drop  []string // files made for the reading
	heap  runHeap
	row   *registry.Row  // the next; nil at the end
	moved []registry.Row // earlier reports of the row that were of another patient, each as taken back by the one after it
}

// open starts reading. Each file's rows are sorted by row id, so a merge needs one row of each in memory. A month that was
// closed under a former key is read from a copy in tmp with today's pseudonyms; key nil: none is.
func (h history) open(key rekeyer, tmp string) (*reported, error) {
	r := &reported{}
	for i, c := range h {
		path := filepath.Join(c.dir, RowsNDJSON)
		if key != nil && c.manifest.Registry.KeyID != key.ID() {
			path = filepath.Join(tmp, "rekeyed-"+c.period)
			r.drop = append(r.drop, path)
			if err := rekeyed(key, c, path); err != nil {
				return r, errors.Join(err, r.close())
			}
		}
		f, err := os.Open(path)
		if err != nil {
			return r, errors.Join(err, r.close())
		}
		r.files = append(r.files, f)
		lines := bufio.NewReaderSize(f, runBuffer)
		last := ""
		err = r.heap.fill(func() (entry, error) {
			b, err := readLine(lines)
			if err != nil {
				return entry{}, err
			}
			id, err := rowID(b)
			if err != nil || id <= last {
				return entry{}, errors.Join(fmt.Errorf("%s: rows are not in order of row_id", f.Name()), err)
			}
			last = id
			// The month's number follows the id, so that reports of one row come in order.
			return entry{fmt.Appendf(nil, "%s %06d", id, i), b}, nil
		})
		if err != nil {
			return r, errors.Join(err, r.close())
		}
	}
	return r, r.next()
}

// next goes to the last report of the next row.
func (r *reported) next() error {
	r.row, r.moved = nil, nil
	for len(r.heap) > 0 {
		row, err := decodeRow(r.heap[0].value)
		if err != nil {
			return err
		}
		if r.row != nil && r.row.RowID != row.RowID {
			return nil
		}
		if err := registry.Follows(r.row, row); err != nil {
			return fmt.Errorf("closed months: %w", err)
		}
		if r.row != nil && r.row.PatientID != row.PatientID && r.row.Action != registry.ActionRetract {
			r.moved = append(r.moved, registry.Row{Action: registry.ActionRetract, PeriodOfReport: row.PeriodOfReport, RowID: row.RowID, PatientID: r.row.PatientID})
		}
		r.row = &row
		if err := r.heap.advance(); err != nil {
			return err
		}
	}
	return nil
}

func (r *reported) close() error {
	var errs []error
	for _, f := range r.files {
		errs = append(errs, f.Close())
	}
	for _, f := range r.drop {
		errs = append(errs, os.Remove(f))
	}
	r.files, r.drop = nil, nil
	return errors.Join(errs...)
}

// rowID reads the id of a row's line without decoding the rest.
func rowID(line []byte) (string, error) {
	var id struct {
		RowID string `json:"row_id"`
	}
	err := json.Unmarshal(line, &id)
	return id.RowID, err
}

func decodeRow(line []byte) (row registry.Row, err error) {
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	err = d.Decode(&row)
	return row, err
}

// readLine gives a line with its end; io.EOF when there is none.
func readLine(r *bufio.Reader) ([]byte, error) {
	var out []byte
	for {
		part, err := r.ReadSlice('\n')
		out = append(out, part...)
		switch {
		case err == nil:
			return out, nil
		case err == io.EOF && len(out) > 0:
			return out, io.ErrUnexpectedEOF
		case !errors.Is(err, bufio.ErrBufferFull):
			return nil, err
		case len(out) > maxLineBytes:
			return nil, fmt.Errorf("a line is over %d bytes", maxLineBytes)
		}
	}
}

// writeRows merges the rows of today with what the closed months said and writes what this month says.
func (e *Exporter) writeRows(f *folder, m *Manifest, rows, rejects *sorter, closed history) (err error) {
	lines, err := f.create(RowsNDJSON)
	if err != nil {
		return err
	}
	table, err := f.create(RowsCSV)
	if err != nil {
		return err
	}
	head, err := csvLine(registry.Columns())
	if err != nil {
		return err
	}
	if err := table.write(head); err != nil {
		return err
	}
	past, err := closed.open(&e.Key, f.tmp)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, past.close()) }()
	w := rowWriter{lines, table, &m.Registry, past, rejects, nil}
	if err := rows.each(w.today); err != nil {
		return err
	}
	for past.row != nil {
		if err := w.pastOnly(); err != nil {
			return err
		}
	}
	r1, err1 := lines.close(Resource{Name: "rows-ndjson", Format: "ndjson", MediaType: "application/x-ndjson"})
	r2, err2 := table.close(Resource{Name: "rows-csv", Type: "table", Format: "csv", MediaType: "text/csv",
		Fields: tableSchema(registry.Columns(), []string{"row_id"})})
	m.Resources = append(m.Resources, r1, r2)
	return errors.Join(err1, err2)
}

type rowWriter struct {
	lines, table *output
	month        *Month
	past         *reported
	rejects      *sorter
	lastKey      []byte
}

// today takes the next row of today.
func (w *rowWriter) today(e entry) error {
	if bytes.Equal(e.key, w.lastKey) {
		return w.twice(e)
	}
	w.lastKey = e.key
	for w.past.row != nil && w.past.row.RowID < string(e.key) {
		if err := w.pastOnly(); err != nil {
			return err
		}
	}
	counted, rest := splitHead(e.value)
	ndjson, csv := splitRow(rest)
	if w.past.row == nil || w.past.row.RowID != string(e.key) {
		counted.PeriodOfReport = w.month.Period
		w.month.Counts.count(counted)
		return errors.Join(w.lines.line(ndjson), w.table.line(csv))
	}
	row, err := decodeRow(ndjson)
	if err != nil {
		return err
	}
	err = w.report(w.past.row, &row)
	return errors.Join(err, w.past.next())
}

// pastOnly settles a row that was reported and is not there today.
func (w *rowWriter) pastOnly() error { return errors.Join(w.report(w.past.row, nil), w.past.next()) }

func (w *rowWriter) report(before, now *registry.Row) error {
	held, last := before, before
	if before.Action == registry.ActionRetract {
		held = nil
	}
	row, ok := registry.Report(held, last, now, w.month.Period)
	if !ok {
		return nil
	}
	b, err := encodeRow(row)
	if err != nil {
		return err
	}
	w.month.Counts.count(row)
	ndjson, csv := splitRow(b)
	return errors.Join(w.lines.line(ndjson), w.table.line(csv))
}

// twice holds back a second row of one id.
func (w *rowWriter) twice(e entry) error {
	_, rest := splitHead(e.value)
	ndjson, _ := splitRow(rest)
	row, err := decodeRow(ndjson)
	if err != nil {
		return err
	}
	for _, r := range (registry.Rules{}).Rejected(row, []registry.Problem{{Rule: registry.RuleTwice}}) {
		b, err := encode(r, "")
		if err != nil {
			return err
		}
		if err := w.rejects.add(entry{e.key, b}); err != nil {
			return err
		}
	}
	return nil
}

// writeRejects writes the reject list.
func writeRejects(f *folder, m *Manifest, rejects *sorter) error {
	lines, err := f.create(RejectsNDJSON)
	if err != nil {
		return err
	}
	table, err := f.create(RejectsCSV)
	if err != nil {
		return err
	}
	head, err := csvLine(registry.RejectColumns())
	if err != nil {
		return err
	}
	if err := table.write(head); err != nil {
		return err
	}
	counts, last := &m.Registry.Counts, ""
	err = rejects.each(func(e entry) error {
		var r registry.Reject
		if err := json.Unmarshal(e.value, &r); err != nil {
			return err
		}
		counts.Rejects++
		if r.RowID != last {
			counts.RejectedRows++
		}
		last = r.RowID
		c, err := csvLine(r.Cells())
		return errors.Join(err, lines.line(e.value), table.line(c))
	})
	if err != nil {
		return err
	}
	r1, err1 := lines.close(Resource{Name: "rejects-ndjson", Format: "ndjson", MediaType: "application/x-ndjson"})
	r2, err2 := table.close(Resource{Name: "rejects-csv", Type: "table", Format: "csv", MediaType: "text/csv",
		Fields: tableSchema(registry.RejectColumns(), nil)})
	m.Resources = append(m.Resources, r1, r2)
	return errors.Join(err1, err2)
}
