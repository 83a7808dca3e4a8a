package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"net/http"
	"path"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"gaussline/adapters/files"
	"gaussline/adapters/pages"
	"gaussline/adapters/pipeline"
)

// months shows the registry pull to people.
type months struct {
	pull         http.Handler
	closed, open string
	exporter     *files.Exporter
	key          ed25519.PrivateKey // nil: months are closed at the command line
	now          func() time.Time
	closing      *sync.Mutex
}

// months gives what the pages show of the registry; nil when no pseudonym key is configured.
func (a *app) months() (pages.Months, error) {
	h := a.registryHandler()
	if h == nil {
		return nil, nil
	}
	x, err := a.exporter()
	if err != nil {
		return nil, err
	}
	m := months{pull: h, closed: x.ClosedDir, open: a.registryDir("open"), exporter: x, now: a.now, closing: &sync.Mutex{}}
	if f := a.cfg.Registry.SignKey; f != "" {
		if m.key, err = files.ReadSigningKey(f); err != nil {
			return nil, fmt.Errorf("registry.sign_key_file: %w", err)
		}
	}
	return m, nil
}

// maxClosable is how far back a first month may lie.
const maxClosable = 12

// Report asks the pull for the files of a report; it makes one when the last is old.
func (m months) Report(ctx context.Context, name string) (r pages.Report, ready bool, err error) {
	var got struct {
		DataCut string
		Files   []string
	}
	status, err := m.ask(ctx, "/registry/"+name, &got)
	switch {
	case err != nil || status == http.StatusAccepted:
		return r, false, err
	case status != http.StatusOK:
		return r, false, fmt.Errorf("report %s: the list answered %d", name, status)
	}
	r.Cut = got.DataCut
	for _, f := range got.Files {
		r.Files = append(r.Files, path.Base(f))
	}
	return r, true, nil
}

// ServeReport sends a file of a report.
func (m months) ServeReport(w http.ResponseWriter, r *http.Request, name, file string) {
	r2 := r.Clone(r.Context())
	r2.URL.Path, r2.URL.RawPath = "/registry/"+name+"/"+file, ""
	m.pull.ServeHTTP(w, r2)
}

// Closable gives the months that are over and not closed, oldest first: those after the last closed one, or of the
// last year when none is.
func (m months) Closable(ctx context.Context) ([]string, error) {
	if m.key == nil {
		return nil, nil
	}
	listed, err := m.listed(ctx)
	if err != nil {
		return nil, err
	}
	last := ""
	for _, l := range listed {
		if l.Status == files.Closed && l.Period > last {
			last = l.Period
		}
	}
	this := m.now().UTC()
	first := time.Date(this.Year(), this.Month(), 1, 0, 0, 0, 0, time.UTC)
	var out []string
	for n := maxClosable; n > 0; n-- {
		if p := first.AddDate(0, -n, 0).Format("2006-01"); p > last {
			out = append(out, p)
		}
	}
	return out, nil
}

// Preview counts a month as it would be closed now.
func (m months) Preview(ctx context.Context, period string) (pages.Month, error) {
	status, err := m.ask(ctx, "/registry/months/"+period+"/"+files.ManifestFile, nil)
	if err != nil {
		return pages.Month{}, err
	}
	switch status {
	case http.StatusOK:
	case http.StatusNotFound:
		return pages.Month{}, pages.ErrNothingYet
	default:
		return pages.Month{}, fmt.Errorf("month %s: the manifest answered %d", period, status)
	}
	return counted(filepath.Join(m.open, period), pages.Month{Period: period, State: files.Open}), nil
}

// Close closes a month: signed, and never changed after.
func (m months) Close(ctx context.Context, period string) error {
	m.closing.Lock()
	defer m.closing.Unlock()
	able, err := m.Closable(ctx)
	if err != nil {
		return err
	}
	if !slices.Contains(able, period) {
		return pages.ErrNotClosable
	}
	_, err = m.exporter.Close(ctx, period, m.key)
	return err
}

// Verify checks a closed month as "gaussline verify" does, with the key that this service signs with.
func (m months) Verify(ctx context.Context, period string) (pages.Verified, error) {
	listed, err := m.listed(ctx)
	if err != nil {
		return pages.Verified{}, err
	}
	i := slices.IndexFunc(listed, func(l files.Listed) bool { return l.Period == period && l.Status == files.Closed })
	if i < 0 {
		return pages.Verified{}, pipeline.ErrNotFound
	}
	var public ed25519.PublicKey
	if m.key != nil {
		public = m.key.Public().(ed25519.PublicKey)
	}
	v, err := files.Verify(filepath.Join(m.closed, period), public, "")
	return pages.Verified{Hash: listed[i].Hash, Faults: v.Faults, Notes: v.Notes}, err
}

// ask gets JSON from the pull.
func (m months) ask(ctx context.Context, path string, into any) (status int, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	if err != nil {
		return 0, err
	}
	w := &inMemory{header: http.Header{}, status: http.StatusOK}
	m.pull.ServeHTTP(w, r)
	if w.status == http.StatusOK && into != nil {
		err = json.Unmarshal(w.body.Bytes(), into)
	}
	return w.status, err
}

func (m months) listed(ctx context.Context) ([]files.Listed, error) {
	var got struct{ Months []files.Listed }
	status, err := m.ask(ctx, "/registry/months", &got)
	if err == nil && status != http.StatusOK {
		err = fmt.Errorf("months: the list answered %d", status)
	}
	return got.Months, err
}

// List asks the pull for its months and reads what their manifests count.
func (m months) List(ctx context.Context) ([]pages.Month, error) {
	listed, err := m.listed(ctx)
	if err != nil {
		return nil, err
	}
	var out []pages.Month
	for _, l := range slices.Backward(listed) {
		dir := m.open
		if l.Status == files.Closed {
			dir = m.closed
		}
		state := l.Status
		if l.Over {
			state = "over, not closed"
		}
		out = append(out, counted(filepath.Join(dir, l.Period), pages.Month{Period: l.Period, State: state, Closed: l.Status == files.Closed}))
	}
	return out, nil
}

// counted reads counts and files from the manifest of a month; an open month may not have been made yet.
func counted(dir string, x pages.Month) pages.Month {
	x.Rows, x.Rejects, x.Amendments, x.Files = -1, -1, -1, []string{files.ManifestFile}
	man, _, err := files.ReadManifest(dir)
	if err != nil {
		return x
	}
	c := man.Registry.Counts
	x.Rows, x.Rejects, x.Amendments = c.Rows, c.RejectedRows, c.Amended+c.Retracted
	for _, res := range man.Resources {
		x.Files = append(x.Files, res.Path)
	}
	if x.Closed {
		x.Files = append(x.Files, files.SignatureFile)
	}
	return x
}

// Serve sends a file of a month.
func (m months) Serve(w http.ResponseWriter, r *http.Request, period, file string) {
	r2 := r.Clone(r.Context())
	r2.URL.Path, r2.URL.RawPath = "/registry/months/"+period+"/"+file, ""
	m.pull.ServeHTTP(w, r2)
}

// inMemory takes an answer in memory.
type inMemory struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (w *inMemory) Header() http.Header         { return w.header }
func (w *inMemory) WriteHeader(status int)      { w.status = status }
func (w *inMemory) Write(b []byte) (int, error) { return w.body.Write(b) }
