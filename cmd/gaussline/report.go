package main

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/files"
	"gaussline/mapping/registry"
)

// qualityReport prints the quality of the rows by site and month, and writes it as files.
func qualityReport(ctx context.Context, p *program, args []string) error {
	fs := p.flags("quality")
	path := fs.String("config", "", "configuration file")
	out := fs.String("out", "", "folder for the files; replaced when it is there")
	if err := parse(fs, args); err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		x, err := a.exporter()
		if err != nil {
			return err
		}
		if err := a.noted(ctx, access.Event{Action: access.Executed, What: "quality"}, ""); err != nil {
			return err
		}
		r, err := x.Quality(ctx, a.now())
		if err != nil {
			return err
		}
		if err := p.printQuality(r); err != nil {
			return err
		}
		return p.writeReport(r, *out)
	})
}

// printQuality prints the table with what each number is of.
func (p *program) printQuality(r files.Report) error {
	f, _ := r.File("quality.json")
	var q struct {
		DataCut, SmallCells string
		Measures            map[string]string
		Quality             []registry.QualityRow
		Rejects             []registry.RejectRow
	}
	if err := json.Unmarshal(f.Bytes, &q); err != nil {
		return err
	}
	fmt.Fprintf(p.out, "Quality of registry rows by site that sends and month of event. Data cut: %s.\n%s\n\n", q.DataCut, q.SmallCells)
	w := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	last, few := "", map[string]int{}
	for _, x := range q.Quality {
		month := x.Month
		if month == "" {
			month = "no month"
		}
		if head := x.Site + ", " + month; head != last {
			last = head
			if x.Rows < 0 {
				few[x.Site]++
				continue
			}
			fmt.Fprintf(w, "%s: %s\n", head, many(x.Rows, "row"))
		}
		if x.Rows < 0 || x.Of == 0 {
			continue
		}
		share := "not told"
		if x.Percent >= 0 {
			share = fmt.Sprintf("%.1f %%", x.Percent)
		}
		days := ""
		if x.MedianDays >= 0 {
			days = fmt.Sprintf("median %d days, nine in ten within %d", x.MedianDays, x.P90Days)
		}
		fmt.Fprintf(w, "  %s\t%s\t(%s of %s)\t%s\n", q.Measures[x.Measure], share, told(x.Has), told(x.Of), days)
	}
	for _, site := range slices.Sorted(maps.Keys(few)) {
		fmt.Fprintf(w, "%s: %s with too few patients to be told of (registry.small_cells)\n", site, many(few[site], "month"))
	}
	if len(q.Rejects) > 0 {
		fmt.Fprintln(w, "\nHeld back, by reason and who can mend it:")
	}
	for _, x := range q.Rejects {
		fmt.Fprintf(w, "  %s\t%s\t%s rows\t%s\t%s\n", x.Site, x.Month, told(x.Rows), x.Mend, x.Reason)
	}
	return w.Flush()
}

// told writes a count that may be too small to be told.
func told(n int) string {
	if n < 0 {
		return "not told"
	}
	return fmt.Sprint(n)
}

// figures writes revision and explant by model.
func figures(ctx context.Context, p *program, args []string) error {
	fs := p.flags("figures")
	path := fs.String("config", "", "configuration file")
	out := fs.String("out", "", "folder for the files; replaced when it is there")
	cut := fs.String("cut", "", "data cut YYYY-MM-DD: what happened and was known before that day; default the first of this month")
	if err := parse(fs, args); err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		at := files.MonthStart(a.now())
		if *cut != "" {
			var err error
			if at, err = time.Parse(time.DateOnly, *cut); err != nil {
				return usageError{"--cut: want a day YYYY-MM-DD"}
			}
			if at.After(a.now()) {
				return usageError{"--cut: is in the future"}
			}
		}
		x, err := a.exporter()
		if err != nil {
			return err
		}
		if err := a.noted(ctx, access.Event{Action: access.Executed, What: "figures"}, ""); err != nil {
			return err
		}
		r, err := x.Figures(ctx, at)
		if err != nil {
			return err
		}
		if err := p.printFigures(r); err != nil {
			return err
		}
		return p.writeReport(r, *out)
	})
}

// printFigures says what was estimated and what was left out.
func (p *program) printFigures(r files.Report) error {
	f, _ := r.File("figures.json")
	var doc struct {
		DataCut string
		Figures []registry.Figure
	}
	if err := json.Unmarshal(f.Bytes, &doc); err != nil {
		return err
	}
	fmt.Fprintf(p.out, "Figures by model. Data cut: %s.\n", doc.DataCut)
	for _, x := range doc.Figures {
		drawn := "nothing may be drawn"
		if _, ok := r.File(x.ID + ".svg"); ok {
			drawn = x.ID + ".svg"
		}
		fmt.Fprintf(p.out, "  %s: %s; models not told of: %d; left out: %s\n", x.ID, drawn, x.Hidden, leftOut(x.LeftOut))
	}
	if len(doc.Figures) == 0 {
		fmt.Fprintln(p.out, "  no component with a model and a day of implantation is on record")
	} else {
		fmt.Fprintf(p.out, "%s\n", doc.Figures[0].SmallCells)
	}
	return nil
}

// leftOut says how many components a figure leaves out, and why.
func leftOut(l registry.LeftOut) string {
	var out []string
	for _, x := range []struct {
		n   int
		why string
	}{{l.Unidentified, "without a model"}, {l.NoDate, "without a day of implantation"}, {l.Undated, "with something undated"}, {l.Conflict, "in conflict"},
		{l.Unobserved, "over before anybody told of them"}, {l.Unread, "not derived"}} {
		if x.n > 0 {
			out = append(out, fmt.Sprintf("%d %s", x.n, x.why))
		}
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, ", ")
}

func (p *program) writeReport(r files.Report, out string) error {
	if out == "" {
		fmt.Fprintln(p.out, "Not written to files: --out names a folder.")
		return nil
	}
	if err := r.Write(out); err != nil {
		return err
	}
	fmt.Fprintf(p.out, "Written to %s:\n", out)
	for _, f := range r.Files {
		fmt.Fprintf(p.out, "  %s\n", filepath.Join(out, f.Name))
	}
	return nil
}
