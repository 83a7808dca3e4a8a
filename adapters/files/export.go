package files

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"golang.org/x/sync/errgroup"

	"gaussline/adapters/checks"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// Viewer reads the store; pipeline.Store does.
type Viewer interface {
	// View runs f in one read-only transaction on a consistent state.
	View(ctx context.Context, f func(pipeline.Reader) error) error
}

// recordBatch is how many records go to a worker at once.
const recordBatch = 32

// Exporter writes the months of one registry.
type Exporter struct {
	Store      Viewer
	Registry   string // name: part of every pseudonym
	Key        Key
	SmallCells int              // least number an aggregate tells of; 0: registry.SmallCells, 1: all
	ClosedDir  string           // folder of the closed months; "" none are kept
	Ledger     *Ledger          // of the closed months in the store; nil: the folder alone says
	Workers    int              // 0: one for each core
	SortBytes  int              // rows held in memory while sorting; 0: 32 MB
	Progress   func(rows int64) // called now and then while records are read; nil: not

	fast bool // tests only: do not wait for the disk
}

// Result is what an export wrote.
type Result struct {
	Dir      string
	Manifest Manifest
}

// Export writes a month as the folder dir/period. A month that is closed is given as it was closed; an open one is
// written from the store as it is now and marked open: all that the months closed before it have not said yet,
// whatever month it happened in. A month before the last closed one that was never closed is an error.
func (e *Exporter) Export(ctx context.Context, period, dir string) (Result, error) {
	if err := registry.CheckMonth(period); err != nil {
		return Result{}, err
	}
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return Result{}, err
	}
	final := filepath.Join(dir, period)
	if c, ok := closed.find(period); ok {
		m, err := copyMonth(c.dir, final)
		return Result{final, m}, err
	}
	if last := closed.last(); last.period > period {
		return Result{}, errors.New(neverClosed(period, last.period))
	}
	m, err := e.write(ctx, month{period: period, final: final, status: Open}, closed)
	return Result{final, m}, err
}

func neverClosed(period, last string) string {
	return fmt.Sprintf("%s was not closed, and %s is: what %s would have said is in the months after it", period, last, period)
}

// month is one that is to be written.
type month struct {
	period, final, status string
	sign                  func(manifest []byte) []byte // nil: not signed
	early                 bool                         // also when nothing on record had happened by its end
}

// TooEarlyError refuses a month before anything on record.
type TooEarlyError struct{ Period, First string } // First is the month of the first row

func (e TooEarlyError) Error() string {
	return fmt.Sprintf("nothing on record had happened by the end of %s: the first row is of %s", e.Period, e.First)
}

// write makes the folder of a month.
func (e *Exporter) write(ctx context.Context, x month, closed history) (Manifest, error) {
	period, final, status := x.period, x.final, x.status
	f, err := newFolder(final)
	if err != nil {
		return Manifest{}, err
	}
	f.fast = e.fast
	defer f.discard()
	rows, rejects, later, err := e.collect(ctx, period, f.tmp)
	defer func() { _ = errors.Join(rows.close(), rejects.close()) }()
	if err != nil {
		return Manifest{}, err
	}
	if later != "" && rows.n+rejects.n == 0 && len(closed) == 0 && !x.early {
		return Manifest{}, TooEarlyError{period, later}
	}
	m := Manifest{Schema: dataPackage, Name: "registry-" + e.Registry + "-" + period,
		Title: "Registry month " + period + " (" + status + ")",
		Registry: Month{Registry: e.Registry, Period: period, Status: status, KeyID: e.Key.ID(),
			SchemaVersion: registry.SchemaVersion, RuleSet: registry.RuleSet, Previous: closed.last().hash}}
	m.Registry.Counts.ByKind = map[string]int64{}
	if err := e.writeRows(f, &m, rows, rejects, closed); err != nil {
		return m, err
	}
	if err := writeRejects(f, &m, rejects); err != nil {
		return m, err
	}
	if err := errors.Join(rows.close(), rejects.close()); err != nil {
		return m, err
	}
	hash, err := finish(f, &m, x.sign)
	if err != nil {
		return m, err
	}
	if status == Open {
		return m, f.place(true)
	}
	if err := f.keep(func() error { return e.Ledger.close(ctx, e.Registry, period, hash) }); err != nil {
		return m, err
	}
	if err := f.place(false); err != nil && !isMonth(final, hash) { // another node may have named it, see settle
		return m, err
	}
	return m, nil
}

// finish writes the schema, the manifest and its signature, and gives the hash of the manifest.
func finish(f *folder, m *Manifest, sign func([]byte) []byte) (hash string, err error) {
	schema, err := rowSchemaBytes()
	if err != nil {
		return "", err
	}
	if err := f.put(RowSchema, schema); err != nil {
		return "", err
	}
	m.Resources = append(m.Resources, Resource{Name: "row-schema", Path: RowSchema, Format: "json", MediaType: "application/schema+json",
		Encoding: "utf-8", Bytes: int64(len(schema)), Hash: Hash(schema), Lines: int64(bytes.Count(schema, []byte("\n")))})
	b, err := encode(m, " ")
	if err != nil {
		return "", err
	}
	if err := f.put(ManifestFile, b); err != nil || sign == nil {
		return Hash(b), err
	}
	return Hash(b), f.put(SignatureFile, sign(b))
}

// encode writes JSON as every file here has it: no escaping of <, > and &, one line end.
func encode(v any, indent string) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", indent)
	err := enc.Encode(v)
	return b.Bytes(), err
}

// collect reads every record and sorts its rows: those that pass the checks, and the rejects of those that do not. later
// is the first month of the rows that are not due yet, "" without any.
func (e *Exporter) collect(ctx context.Context, period, tmp string) (rows, rejects *sorter, later string, err error) {
	budget := e.SortBytes
	if budget <= 0 {
		budget = defaultSortBytes
	}
	rows, rejects = &sorter{dir: tmp, budget: budget}, &sorter{dir: tmp, budget: budget / 4}
	w, err := e.newWorker(period)
	if err != nil {
		return rows, rejects, "", err
	}
	workers := e.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	batches, done := make(chan []implant.Record, workers), make(chan made, workers)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(batches)
		return e.readRecords(ctx, batches)
	})
	var busy sync.WaitGroup
	busy.Add(workers)
	for range workers {
		g.Go(func() error { defer busy.Done(); return w.run(ctx, batches, done) })
	}
	g.Go(func() error { busy.Wait(); close(done); return nil })
	g.Go(func() error {
		n := int64(0)
		for m := range done {
			for _, x := range m.rows {
				if err := rows.add(x); err != nil {
					return err
				}
			}
			for _, x := range m.rejects {
				if err := rejects.add(x); err != nil {
					return err
				}
			}
			if later == "" || m.later != "" && m.later < later {
				later = m.later
			}
			n += int64(len(m.rows))
			if e.Progress != nil {
				e.Progress(n)
			}
		}
		return nil
	})
	err = g.Wait()
	return rows, rejects, later, err
}

func (e *Exporter) readRecords(ctx context.Context, out chan<- []implant.Record) error {
	send := func(b []implant.Record) error {
		select {
		case out <- b:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return e.Store.View(ctx, func(r pipeline.Reader) error {
		var batch []implant.Record
		err := r.Records(ctx, "", func(rec implant.Record) error {
			batch = append(batch, rec)
			if len(batch) < recordBatch {
				return nil
			}
			full := batch
			batch = nil
			return send(full)
		})
		if err != nil || len(batch) == 0 {
			return err
		}
		return send(batch)
	})
}

// made is what a worker made of a batch.
type made struct {
	rows, rejects []entry
	later         string // first month of the rows that are not due yet
}

// worker turns records into rows that are checked and encoded. It is shared by goroutines and never changes.
type worker struct {
	period string
	key    Key
	schema *checks.Schema
	rules  registry.Rules
}

// rowSchema is compiled once: it costs as much as checking fifty rows.
var rowSchema = sync.OnceValues(func() (*checks.Schema, error) { return checks.Compile(RowSchema) })

func (e *Exporter) newWorker(period string) (*worker, error) {
	s, err := rowSchema()
	if err != nil {
		return nil, err
	}
	b, err := rowSchemaBytes()
	if err != nil {
		return nil, err
	}
	rules, err := registry.ParseRules(b)
	return &worker{period, e.Key, s, rules}, err
}

func (w *worker) run(ctx context.Context, in <-chan []implant.Record, out chan<- made) error {
	for batch := range in {
		var m made
		for _, rec := range batch {
			for _, row := range registry.Rows(rec, w.key.Pseudonym) {
				if p := row.EarliestPeriod(); p > w.period { // not due yet
					if m.later == "" || p < m.later {
						m.later = p
					}
					continue
				}
				if err := w.row(row, &m); err != nil {
					return err
				}
			}
		}
		select {
		case out <- m:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// row checks a row and encodes it as it stands in the files when it was never reported before.
func (w *worker) row(row registry.Row, m *made) error {
	row.PeriodOfReport = w.period
	if rejects := w.check(row); len(rejects) > 0 {
		for _, r := range rejects {
			b, err := encode(r, "")
			if err != nil {
				return err
			}
			m.rejects = append(m.rejects, entry{[]byte(row.RowID), b})
		}
		return nil
	}
	b, err := encodeRow(row)
	head := make([]byte, 0, len(row.Kind)+len(row.PeriodOfEvent)+2+len(b))
	head = append(append(append(append(head, row.Kind...), ' '), row.PeriodOfEvent...), '\n')
	m.rows = append(m.rows, entry{[]byte(row.RowID), append(head, b...)})
	return err
}

// splitHead gives what is counted of a sorted row, so that one that is reported for the first time need not be decoded,
// and the two lines of encodeRow.
func splitHead(b []byte) (counted registry.Row, rest []byte) {
	i := bytes.IndexByte(b, '\n')
	kind, period, _ := bytes.Cut(b[:i], []byte(" "))
	return registry.Row{Action: registry.ActionNew, Kind: string(kind), PeriodOfEvent: string(period)}, b[i+1:]
}

// check gives the reasons why a row is held back, none for one that passes.
func (w *worker) check(row registry.Row) []registry.Reject {
	problems := registry.Check(row)
	for _, p := range w.schema.Value(row.Value()) {
		problems = append(problems, registry.Problem{Rule: p.Rule, Pointer: p.Pointer})
	}
	if len(problems) == 0 {
		return nil
	}
	return w.rules.Rejected(row, problems)
}

// encodeRow gives the NDJSON line and the CSV line of a row, one after the other.
func encodeRow(row registry.Row) ([]byte, error) {
	b, err := encode(row, "")
	if err != nil {
		return nil, err
	}
	c, err := csvLine(row.Cells())
	return append(b, c...), err
}

// splitRow gives the two lines of encodeRow. JSON has no line end inside.
func splitRow(b []byte) (ndjson, csv []byte) {
	i := bytes.IndexByte(b, '\n') + 1
	return b[:i], b[i:]
}

func csvLine(cells []string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := w.Write(cells); err != nil {
		return nil, err
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

func copyMonth(from, final string) (Manifest, error) {
	m, raw, err := ReadManifest(from)
	if err != nil {
		return m, err
	}
	f, err := newFolder(final)
	if err != nil {
		return m, err
	}
	defer f.discard()
	names := []string{SignatureFile}
	for _, r := range m.Resources {
		names = append(names, r.Path)
	}
	for _, name := range names {
		if err := f.copy(filepath.Join(from, filepath.Base(name)), filepath.Base(name)); err != nil && !(name == SignatureFile && errors.Is(err, os.ErrNotExist)) {
			return m, err
		}
	}
	if err := f.put(ManifestFile, raw); err != nil {
		return m, err
	}
	return m, f.place(true)
}
