package files

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"gaussline/mapping/registry"
)

// Times of a pull.
const (
	waitForMonth = 20 * time.Second // a request waits this long for an open month to be written
	retryAfter   = "10"             // seconds, said to a caller who should come again
	monthFresh   = 30 * time.Second // an open month is written anew for a manifest older than this
)

// Pull serves the months over HTTP: GET /registry/months, and GET /registry/months/{month}/{file}; and the reports over
// all months under /registry/quality and /registry/figures, made anew when they are old; and the re-key maps that a
// person has made, under /registry/rekey; and what the closed months say as FHIR R4, by Bulk Data Access, under
// /registry/fhir. Closed months
// come from where they were closed; an open month is written into Dir when its manifest is asked for, and its
// files stay the same until somebody asks for the manifest again. Files have an ETag (their SHA-256), ranges, and
// gzip where the caller takes it.
type Pull struct {
	Exporter *Exporter
	Dir      string // folder of the open months
	RekeyDir string // folder of the re-key maps
	BulkDir  string // folder of the FHIR exports
	BaseURL  string // public address of the service, for absolute addresses; "": that of the request
	Now      func() time.Time

	once    sync.Once
	mux     *http.ServeMux
	mu      sync.Mutex
	running map[string]*making
	made    map[string]*reporting
	jobs    map[string]*bulkJob
}

// making is an open month being written, or the last one written.
type making struct {
	done chan struct{}
	err  error
	at   time.Time
}

// ServeHTTP answers a pull.
func (p *Pull) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	p.once.Do(func() {
		p.running, p.made, p.jobs = map[string]*making{}, map[string]*reporting{}, map[string]*bulkJob{}
		p.mux = http.NewServeMux()
		p.mux.HandleFunc("GET /registry/{$}", p.index)
		p.mux.HandleFunc("GET /registry/dictionary", p.dictionary)
		p.mux.HandleFunc("GET /registry/months", p.list)
		p.mux.HandleFunc("GET /registry/months/{$}", p.list)
		p.mux.HandleFunc("GET /registry/months/{month}", p.file)
		p.mux.HandleFunc("GET /registry/months/{month}/{file}", p.file)
		p.mux.HandleFunc("GET /registry/fhir/$export", p.kickOff)
		p.mux.HandleFunc("GET /registry/fhir/jobs/{job}", p.bulkStatus)
		p.mux.HandleFunc("DELETE /registry/fhir/jobs/{job}", p.bulkCancel)
		p.mux.HandleFunc("GET /registry/fhir/jobs/{job}/{file}", p.bulkFile)
		p.mux.HandleFunc("GET /registry/rekey", p.rekeyMaps)
		p.mux.HandleFunc("GET /registry/rekey/{file}", p.rekeyMap)
		list, file := p.reports("quality", func(ctx context.Context, e *Exporter, now time.Time) (Report, error) { return e.Quality(ctx, now) })
		p.mux.HandleFunc("GET /registry/quality", list)
		p.mux.HandleFunc("GET /registry/quality/{file}", file)
		list, file = p.reports("figures", func(ctx context.Context, e *Exporter, now time.Time) (Report, error) {
			return e.Figures(ctx, MonthStart(now))
		})
		p.mux.HandleFunc("GET /registry/figures", list)
		p.mux.HandleFunc("GET /registry/figures/{file}", file)
		p.mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
			say(w, http.StatusNotFound, "no such route; GET /registry/ says what there is")
		})
	})
	p.mux.ServeHTTP(w, r)
}

func say(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]string{"message": text})
}

// Listed is one month in the list.
type Listed struct {
	Period   string `json:"period"`
	Status   string `json:"status"`
	Manifest string `json:"manifest"`       // address
	Hash     string `json:"hash,omitempty"` // of a closed month's manifest
	Over     bool   `json:"over,omitempty"` // an open month that waits for somebody to close it
	Note     string `json:"note,omitempty"` // what an open month is
}

// openWords are said beside an open month: its rows are no count of what happened in it.
const openWords = "not final: all that the closed months have not said, whatever month it happened in (period_of_event)"

// index says what there is to be pulled.
func (p *Pull) index(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]string{
		"/registry/months":         "the months: closed ones, signed, and the open one",
		"/registry/months/YYYY-MM": "the manifest of a month, which names its files",
		"/registry/dictionary":     "what each column of a row means",
		"/registry/quality":        "what the rows are worth, by site and month, and what was held back",
		"/registry/figures":        "revision and explant by model",
		"/registry/fhir/$export":   "the closed months as FHIR R4, by Bulk Data Access",
		"/registry/rekey":          "after a change of the pseudonym key: maps from the former pseudonyms",
	})
}

// dictionary gives the data dictionary of a row as text.
func (p *Pull) dictionary(w http.ResponseWriter, r *http.Request) {
	text, err := Dictionary()
	if err != nil {
		say(w, http.StatusInternalServerError, "the dictionary cannot be made; the operator has to look")
		return
	}
	send(w, r, strings.NewReader(text), Resource{MediaType: "text/markdown; charset=utf-8", Hash: Hash([]byte(text))})
}

// list names the closed months and those after them up to now, which are open. Where none was closed, only the month that
// is now is.
func (p *Pull) list(w http.ResponseWriter, r *http.Request) {
	closed, err := p.Exporter.closedMonths(r.Context())
	if err != nil {
		say(w, http.StatusInternalServerError, "the closed months cannot be read; the operator has to look")
		return
	}
	out := []Listed{}
	for _, c := range closed {
		out = append(out, Listed{Period: c.period, Status: Closed, Manifest: address(c.period), Hash: c.hash})
	}
	now := MonthStart(p.Now())
	from := now
	if last, err := time.Parse("2006-01", closed.last().period); err == nil {
		from = last.AddDate(0, 1, 0)
	}
	for ; !from.After(now); from = from.AddDate(0, 1, 0) {
		period := from.Format("2006-01")
		out = append(out, Listed{Period: period, Status: Open, Manifest: address(period), Over: from.Before(now), Note: openWords})
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"months": out})
}

func address(period string) string { return "/registry/months/" + period + "/" + ManifestFile }

func (p *Pull) file(w http.ResponseWriter, r *http.Request) {
	period, name := r.PathValue("month"), r.PathValue("file")
	if name == "" {
		name = ManifestFile // it names the others
	}
	if err := registry.CheckMonth(period); err != nil {
		say(w, http.StatusBadRequest, err.Error())
		return
	}
	closed, err := p.Exporter.closedMonths(r.Context())
	if err != nil {
		say(w, http.StatusInternalServerError, "the closed months cannot be read; the operator has to look")
		return
	}
	dir := filepath.Join(p.Dir, period)
	if c, ok := closed.find(period); ok {
		dir = c.dir
	} else if !p.ready(w, r, period, dir, name == ManifestFile, closed) {
		return
	}
	m, raw, err := ReadManifest(dir)
	if err != nil {
		say(w, http.StatusServiceUnavailable, "the month cannot be read; try again")
		return
	}
	res, ok := m.Resource(name)
	switch {
	case ok:
	case name == ManifestFile:
		res = Resource{Path: ManifestFile, MediaType: "application/json", Hash: Hash(raw)}
	case name == SignatureFile && m.Registry.Status == Closed:
		res = Resource{Path: SignatureFile, MediaType: "application/octet-stream", Hash: "sig-" + Hash(raw)}
	default:
		say(w, http.StatusNotFound, "the month has no such file; "+ManifestFile+" names them")
		return
	}
	p.serve(w, r, filepath.Join(dir, res.Path), res)
}

// ready makes sure that an open month is written; false: it has answered the caller.
func (p *Pull) ready(w http.ResponseWriter, r *http.Request, period, dir string, fresh bool, closed history) bool {
	now, last := p.Now().UTC().Format("2006-01"), closed.last().period
	switch {
	case period > now:
		say(w, http.StatusNotFound, period+" has not begun: the month now is "+now)
		return false
	case period < last:
		say(w, http.StatusNotFound, neverClosed(period, last))
		return false
	}
	mk := p.start(r.Context(), period, dir, fresh)
	ctx, cancel := context.WithTimeout(r.Context(), waitForMonth)
	defer cancel()
	select {
	case <-mk.done:
	case <-ctx.Done():
		w.Header().Set("Retry-After", retryAfter)
		say(w, http.StatusAccepted, "the month is being written; ask again")
		return false
	}
	if early := (TooEarlyError{}); errors.As(mk.err, &early) {
		say(w, http.StatusNotFound, early.Error())
		return false
	}
	if mk.err != nil {
		w.Header().Set("Retry-After", retryAfter)
		say(w, http.StatusServiceUnavailable, "the month could not be written; the operator has to look")
		return false
	}
	return true
}

// start writes an open month unless it is being written, or was written just now, or need not be fresh. The
// writing goes on when the caller leaves: the next one finds it done.
func (p *Pull) start(ctx context.Context, period, dir string, fresh bool) *making {
	p.mu.Lock()
	defer p.mu.Unlock()
	if mk := p.running[period]; mk != nil {
		select {
		case <-mk.done:
			if mk.err == nil && (!fresh || p.Now().Sub(mk.at) < monthFresh) {
				return mk
			}
		default:
			return mk
		}
	}
	mk := &making{done: make(chan struct{}), at: p.Now()}
	p.running[period] = mk
	go func() {
		defer close(mk.done)
		_, mk.err = p.Exporter.Export(context.WithoutCancel(ctx), period, filepath.Dir(dir))
	}()
	return mk
}

// serve sends a file: whole, a range of it, or as gzip.
func (p *Pull) serve(w http.ResponseWriter, r *http.Request, path string, res Resource) {
	f, err := os.Open(path)
	if err != nil {
		status := http.StatusServiceUnavailable
		if errors.Is(err, os.ErrNotExist) {
			status = http.StatusNotFound
		}
		say(w, status, "the file cannot be read")
		return
	}
	defer f.Close()
	send(w, r, f, res)
}

// send sends what a reader has: whole, a range of it, or as gzip.
func send(w http.ResponseWriter, r *http.Request, f io.ReadSeeker, res Resource) {
	etag := strings.TrimPrefix(res.Hash, "sha256:")
	w.Header().Set("Content-Type", res.MediaType)
	w.Header().Set("Vary", "Accept-Encoding")
	if r.Header.Get("Range") != "" || !takesGzip(r) {
		w.Header().Set("ETag", `"`+etag+`"`)
		http.ServeContent(w, r, "", time.Time{}, f)
		return
	}
	tag := fmt.Sprintf("%q", etag+"-gzip")
	w.Header().Set("ETag", tag)
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	if r.Method == http.MethodHead {
		return
	}
	z := gzip.NewWriter(w)
	if _, err := io.Copy(z, f); err == nil { // on an error the stream ends short and the reader sees it
		_ = z.Close()
	}
}

// takesGzip says whether the caller accepts gzip (RFC 9110, 12.5.3; a weight of 0 means no).
func takesGzip(r *http.Request) bool {
	for _, part := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		weight = strings.ReplaceAll(weight, " ", "")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") && weight != "q=0" && weight != "q=0.0" {
			return true
		}
	}
	return false
}
