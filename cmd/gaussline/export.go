package main

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/files"
	"gaussline/mapping/registry"
)

// exportMonth writes a registry month as a folder.
func exportMonth(ctx context.Context, p *program, args []string) error {
	fs := p.flags("export")
	path := fs.String("config", "", "configuration file")
	month := fs.String("month", "", "YYYY-MM")
	out := fs.String("out", "", "folder in which the month's folder is written")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *month == "" || *out == "" {
		return usageError{"--month and --out are needed"}
	}
	if err := registry.CheckMonth(*month); err != nil {
		return usageError{"--month: " + err.Error()}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if now := a.now().UTC().Format("2006-01"); *month > now {
			return usageError{fmt.Sprintf("--month %s has not begun: today's is %s", *month, now)}
		}
		if err := a.noted(ctx, access.Event{Action: access.Executed, What: "month", Object: *month}, ""); err != nil {
			return err
		}
		return p.writeMonth(ctx, a, *month, *out)
	})
}

// writeMonth writes a month into the folder out and prints what it holds; errHeld when rows were held back.
func (p *program) writeMonth(ctx context.Context, a *app, month, out string) error {
	x, err := a.exporter()
	if err != nil {
		return err
	}
	p.progress(x, a.now)
	r, err := x.Export(ctx, month, out)
	if err != nil {
		return err
	}
	return p.printMonth(r)
}

// progressEvery is how often an export that takes long says how far it is.
const progressEvery = 2 * time.Second

// progress makes an export say on standard error how many rows it has read.
func (p *program) progress(x *files.Exporter, now func() time.Time) {
	start := now()
	last := start
	x.Progress = func(rows int64) {
		if t := now(); t.Sub(last) >= progressEvery {
			last = t
			fmt.Fprintf(p.errOut, "%d rows read in %.0f s\n", rows, t.Sub(start).Seconds())
		}
	}
}

// printMonth says what a month holds and where it lies; errHeld when rows were held back.
func (p *program) printMonth(r files.Result) error {
	m := r.Manifest.Registry
	c := m.Counts
	fmt.Fprintf(p.out, "Registry month %s of %s, %s: %s (%d new, of them %d about earlier months and %d without a month; %d amended, %d retracted), in %s\n",
		m.Period, m.Registry, m.Status, many(int(c.Rows), "row"), c.New, c.Late, c.Undated, c.Amended, c.Retracted, r.Dir)
	if m.Status == files.Open {
		fmt.Fprintln(p.out, "  not closed, so it may change: it says all that the closed months have not said, whatever month it happened in (period_of_event)")
	}
	events, err := eventsByKind(filepath.Join(r.Dir, files.RowsNDJSON))
	if err != nil {
		return err
	}
	for _, k := range c.Kinds() {
		fmt.Fprintf(p.out, "  %-18s %s, %s (one for each part)\n", k, many(events[k], "event"), many(int(c.ByKind[k]), "row"))
	}
	if c.RejectedRows > 0 {
		fmt.Fprintf(p.out, "  held back: %s, for %s; see %s\n", many(int(c.RejectedRows), "row"), many(int(c.Rejects), "reason"), filepath.Join(r.Dir, files.RejectsCSV))
		return errHeld
	}
	return nil
}

// many writes a number of things.
func many(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// eventsByKind counts the events of new and amended rows: an event has a row for each part that it is about.
func eventsByKind(path string) (map[string]int, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	seen, out := map[string]bool{}, map[string]int{}
	for d := json.NewDecoder(f); ; {
		var row registry.Row
		switch err := d.Decode(&row); {
		case errors.Is(err, io.EOF):
			return out, nil
		case err != nil:
			return nil, fmt.Errorf("%s: %w", path, err)
		case row.Action != registry.ActionRetract && !seen[row.Kind+" "+row.EventID]:
			seen[row.Kind+" "+row.EventID] = true
			out[row.Kind]++
		}
	}
}

// registryDir is where months are kept.
func (a *app) registryDir(name string) string { return filepath.Join(a.cfg.DataDir, "registry", name) }

// exporter writes months from the app's store.
func (a *app) exporter() (*files.Exporter, error) {
	if a.cfg.Registry.KeyFile == "" {
		return nil, hinted{fmt.Errorf("registry.key_file: is needed: the key of the pseudonyms"),
			"head -c 48 /dev/urandom | base64 > registry.key makes one; keep it, rows join only while it stays the same"}
	}
	key, err := files.ReadKeys(a.cfg.Registry.Name, a.cfg.Registry.KeyFile, a.cfg.Registry.FormerKeys)
	if err != nil {
		return nil, err
	}
	return &files.Exporter{Store: a.store, Registry: a.cfg.Registry.Name, Key: key, SmallCells: a.cfg.Registry.SmallCells,
		ClosedDir: cmp.Or(a.cfg.Registry.ClosedDir, a.registryDir("closed")), Ledger: &files.Ledger{Store: a.store, Now: a.now}}, nil
}

// registryHandler serves the months, nil when no pseudonym key is configured. Machines and pages share it: two would
// write one open month at the same time.
func (a *app) registryHandler() http.Handler {
	if a.pull != nil {
		return a.pull
	}
	x, err := a.exporter()
	if err != nil {
		return nil
	}
	a.pull = &files.Pull{Exporter: x, Dir: a.registryDir("open"), RekeyDir: a.registryDir("rekey"), BulkDir: a.registryDir("fhir"), BaseURL: a.cfg.HTTP.BaseURL, Now: a.now}
	return a.pull
}

// closeMonth closes a month that is over: signed, and never changed after.
func closeMonth(ctx context.Context, p *program, args []string) error {
	fs := p.flags("close-month")
	path := fs.String("config", "", "configuration file")
	month := fs.String("month", "", "YYYY-MM")
	keyFile := fs.String("sign-key", "", "Ed25519 private key, PEM; default registry.sign_key_file")
	by := fs.String("by", "", "for whom it is closed, for the audit")
	skip := fs.String("skip-earlier", "", "earlier months that are over and not closed, YYYY-MM,YYYY-MM or YYYY-MM..YYYY-MM: they can never be closed after this one")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *month == "" {
		return usageError{"--month is needed"}
	}
	if err := registry.CheckMonth(*month); err != nil {
		return usageError{"--month: " + err.Error()}
	}
	named, err := monthsNamed(*skip)
	if err != nil {
		return usageError{"--skip-earlier: " + err.Error()}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if *keyFile == "" {
			*keyFile = a.cfg.Registry.SignKey
		}
		if *keyFile == "" {
			return usageError{"--sign-key is needed, or registry.sign_key_file"}
		}
		key, err := files.ReadSigningKey(*keyFile)
		if err != nil {
			return hinted{err, "openssl genpkey -algorithm ed25519 -out FILE makes a key"}
		}
		if now := a.now().UTC().Format("2006-01"); *month >= now {
			return usageError{fmt.Sprintf("%s is not over", *month)}
		}
		x, err := a.exporter()
		if err != nil {
			return err
		}
		passed, err := x.PassedOver(ctx, *month)
		if err != nil {
			return err
		}
		if err := agreeToSkip(*month, passed, named); err != nil {
			return err
		}
		if err := a.noted(ctx, access.Event{Action: access.Created, What: "month", Object: *month}, *by); err != nil {
			return err
		}
		p.progress(x, a.now)
		r, err := x.Close(ctx, *month, key)
		if err != nil {
			return err
		}
		return p.printMonth(r)
	})
}

// verifyMonths checks a month's folder, or a folder of months, with nothing else at hand.
func verifyMonths(_ context.Context, p *program, args []string) error {
	fs := p.flags("verify")
	keyFile := fs.String("key", "", "Ed25519 public key of the signer, PEM")
	maps := fs.String("rekey", "", "re-key map, or folder of them, where the pseudonym key changed: months before and after are followed as one")
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return usageError{"one folder is needed"}
	}
	var key ed25519.PublicKey
	if *keyFile != "" {
		var err error
		if key, err = files.ReadVerifyKey(*keyFile); err != nil {
			return err
		}
	}
	v, err := files.Verify(fs.Arg(0), key, *maps)
	if err != nil {
		return err
	}
	for _, m := range v.Months {
		fmt.Fprintf(p.out, "%s %s %s: %d rows, %d rows held back\n", m.Registry, m.Period, m.Status, m.Counts.Rows, m.Counts.RejectedRows)
	}
	for _, n := range v.Notes {
		fmt.Fprintf(p.out, "note: %s\n", n)
	}
	for _, f := range v.Faults {
		fmt.Fprintf(p.out, "does not hold: %s\n", f)
	}
	if len(v.Faults) > 0 {
		return fmt.Errorf("%d things do not hold", len(v.Faults))
	}
	fmt.Fprintln(p.out, "files, schema, order and counts hold")
	if v.Unsigned > 0 {
		fmt.Fprintf(p.out, "WARNING: THE SIGNATURE OF %d CLOSED MONTHS WAS NOT CHECKED. Whoever changed a file could have changed its checksum too.\n", v.Unsigned)
		fmt.Fprintln(p.errOut, "hint: --key FILE is the signer's public key; openssl pkey -in PRIVATE.pem -pubout makes it there")
		return errHeld
	}
	return nil
}

// dictionary prints the data dictionary of a registry row.
func dictionary(_ context.Context, p *program, args []string) error {
	if err := p.noArguments("dictionary", args); err != nil {
		return err
	}
	text, err := files.Dictionary()
	if err == nil {
		_, err = fmt.Fprint(p.out, text)
	}
	return err
}
