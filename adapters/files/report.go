package files

import (
	"context"
	"fmt"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// Report is a set of small files about all months together: the quality of the rows, or the figures. It holds
// aggregates only, and no pseudonym.
type Report struct {
	Cut   time.Time // what happened and was known before
	Files []ReportFile
}

// ReportFile is one file of a report.
type ReportFile struct {
	Name, MediaType string
	Bytes           []byte
}

// File finds a file by name.
func (r Report) File(name string) (ReportFile, bool) {
	for _, f := range r.Files {
		if f.Name == name {
			return f, true
		}
	}
	return ReportFile{}, false
}

// Write writes the report as a folder, in the place of an earlier one.
func (r Report) Write(dir string) error {
	f, err := newFolder(filepath.Clean(dir))
	if err != nil {
		return err
	}
	defer f.discard()
	for _, x := range r.Files {
		if err := f.put(x.Name, x.Bytes); err != nil {
			return err
		}
	}
	return f.place(true)
}

func (r *Report) add(name, mediaType string, b []byte) {
	r.Files = append(r.Files, ReportFile{name, mediaType, b})
}

// table adds a CSV file.
func (r *Report) table(name string, columns []string, rows int, cells func(i int) []string) error {
	b, err := csvLine(columns)
	if err != nil {
		return err
	}
	for i := range rows {
		line, err := csvLine(cells(i))
		if err != nil {
			return err
		}
		b = append(b, line...)
	}
	r.add(name, "text/csv", b)
	return nil
}

// least is the least number of patients or rows that an aggregate tells of.
func (e *Exporter) least() int {
	if e.SmallCells == 0 {
		return registry.SmallCells
	}
	return e.SmallCells
}

// Quality counts what the rows of all records are worth that are due before cut, per site and month: quality.csv,
// rejects.csv by reason and who can mend them, quality.json with both, and quality.svg.
func (e *Exporter) Quality(ctx context.Context, cut time.Time) (Report, error) {
	w, err := e.newWorker(cut.UTC().Format("2006-01"))
	if err != nil {
		return Report{}, err
	}
	n := e.Workers
	if n <= 0 {
		n = runtime.GOMAXPROCS(0)
	}
	batches := make(chan []implant.Record, n)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(batches)
		return e.readRecords(ctx, batches)
	})
	var mu sync.Mutex
	var all registry.Quality
	for range n {
		g.Go(func() error {
			var q registry.Quality
			for batch := range batches {
				for _, rec := range batch {
					for _, row := range registry.Rows(rec, w.key.Pseudonym) {
						if row.EarliestPeriod() <= w.period {
							row.PeriodOfReport = w.period
							q.Add(row, w.check(row))
						}
					}
				}
			}
			mu.Lock()
			defer mu.Unlock()
			all.Merge(&q)
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return Report{}, err
	}
	return e.qualityReport(&all, cut)
}

// notTold stands in CSV for a number that is too small to be told, or would tell one.
const notTold = "not told"

func count(n int) string {
	if n < 0 {
		return notTold
	}
	return fmt.Sprint(n)
}

func (e *Exporter) qualityReport(q *registry.Quality, cut time.Time) (Report, error) {
	r := Report{Cut: cut}
	at := cut.UTC().Format(time.RFC3339)
	rows, rejects := q.Table(e.least())
	err := r.table("quality.csv", []string{"site", "month", "measure", "rows", "of", "has", "percent", "median_days", "p90_days", "data_cut"}, len(rows), func(i int) []string {
		x := rows[i]
		cells := []string{x.Site, x.Month, x.Measure, count(x.Rows), count(x.Of), count(x.Has), "", "", "", at}
		if x.Percent >= 0 {
			cells[6] = fmt.Sprintf("%.4g", x.Percent)
		}
		if x.MedianDays >= 0 {
			cells[7], cells[8] = count(x.MedianDays), count(x.P90Days)
		}
		return cells
	})
	if err != nil {
		return r, err
	}
	err = r.table("rejects.csv", []string{"site", "month", "rule", "pointer", "reason", "mend", "rows", "data_cut"}, len(rejects), func(i int) []string {
		x := rejects[i]
		return []string{x.Site, x.Month, x.Rule, x.Pointer, x.Reason, x.Mend, count(x.Rows), at}
	})
	if err != nil {
		return r, err
	}
	words := map[string]string{}
	for _, m := range registry.Measures() {
		words[m] = registry.MeasureWords(m)
	}
	b, err := encode(map[string]any{"registry": e.Registry, "dataCut": at, "unit": "rows of the registry, by site that sends and month of event",
		"smallCells": registry.SmallCellWords(e.least()), "measures": words, "quality": rows, "rejects": rejects}, " ")
	if err != nil {
		return r, err
	}
	r.add("quality.json", "application/json", b)
	r.add("quality.svg", "image/svg+xml", registry.QualityChart(rows, at, e.least()))
	return r, nil
}

// Figures estimates revision and explant by model from the lives of all components, of what happened and was known
// before cut: figures.csv, rates.csv, figures.json with what each shows, and an SVG a figure that may be drawn.
func (e *Exporter) Figures(ctx context.Context, cut time.Time) (Report, error) {
	f := registry.NewFigures(cut)
	err := e.Store.View(ctx, func(r pipeline.Reader) error {
		return r.Lives(ctx, func(patient string, l registry.Life, derived bool) error {
			if derived {
				f.Add(patient, l)
			} else {
				f.Unread(l.Kind)
			}
			return nil
		})
	})
	if err != nil {
		return Report{}, err
	}
	figures, rates, err := f.Draw(e.least())
	if err != nil {
		return Report{}, err
	}
	r := Report{Cut: cut}
	at := cut.UTC().Format(time.RFC3339)
	var rows []registry.FigureRow
	for _, x := range figures {
		rows = append(rows, x.Rows...)
	}
	err = r.table("figures.csv", registry.FigureColumns(), len(rows), func(i int) []string { return rows[i].Cells(at) })
	if err != nil {
		return r, err
	}
	if err = r.table("rates.csv", registry.RateColumns(), len(rates), func(i int) []string { return rates[i].Cells(at) }); err != nil {
		return r, err
	}
	b, err := encode(map[string]any{"registry": e.Registry, "dataCut": at, "figures": figures}, " ")
	if err != nil {
		return r, err
	}
	r.add("figures.json", "application/json", b)
	for _, x := range figures {
		if len(x.Chart.Series) == 0 {
			continue
		}
		if b, err = x.Chart.SVG(); err != nil {
			return r, err
		}
		r.add(x.ID+".svg", "image/svg+xml", b)
	}
	return r, nil
}
