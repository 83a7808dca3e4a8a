package files

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/registry"
)

// Bulk Data Access 3.0.0 (HL7), system level: the content of the closed months as FHIR R4.
const (
	ndjsonType = "application/fhir+ndjson"
	fhirType   = "application/fhir+json"
)

var jobID = regexp.MustCompile(`^[0-9a-f]{32}$`)

// bulkJob is an export being written, or the last one of its id.
type bulkJob struct {
	done chan struct{}
	err  error
}

// outcome answers with an OperationOutcome.
func outcome(w http.ResponseWriter, status int, code, text string) {
	w.Header().Set("Content-Type", fhirType)
	w.WriteHeader(status)
	severity := "error"
	if status < http.StatusBadRequest {
		severity = "information"
	}
	_ = json.NewEncoder(w).Encode(map[string]any{"resourceType": "OperationOutcome",
		"issue": []any{map[string]string{"severity": severity, "code": code, "diagnostics": text}}})
}

// bulkQuery reads the parameters of a kick-off. What is not served is an error unless the caller asked for leniency.
func bulkQuery(v url.Values, lenient bool) (q BulkQuery, err error) {
	for name, values := range v {
		switch name {
		case "_outputFormat":
			if !slices.Contains([]string{ndjsonType, "application/ndjson", "ndjson"}, values[0]) {
				return q, errors.New("_outputFormat: only " + ndjsonType + " is served")
			}
		case "_since", "_until":
			t, err := time.Parse(time.RFC3339, values[0])
			if err != nil {
				return q, fmt.Errorf("%s: want an instant such as 2026-04-01T00:00:00Z", name)
			}
			at := t.UTC().Format("2006-01-02T15:04:05Z")
			if name == "_since" {
				q.Since = at
			} else {
				q.Until = at
			}
		case "_type":
			for _, list := range values {
				q.Types = append(q.Types, strings.Split(list, ",")...)
			}
		default:
			if !lenient {
				return q, fmt.Errorf("%.40q is not served; Prefer: handling=lenient leaves it out", name)
			}
		}
	}
	q.Types = slices.DeleteFunc(q.Types, func(t string) bool {
		if !slices.Contains(registry.FHIRTypes(), t) && !lenient && err == nil {
			err = fmt.Errorf("_type: %.40q is not among %s", t, strings.Join(registry.FHIRTypes(), ", "))
		}
		return !slices.Contains(registry.FHIRTypes(), t)
	})
	slices.Sort(q.Types)
	q.Types = slices.Compact(q.Types)
	if err == nil && v.Has("_type") && len(q.Types) == 0 {
		err = errors.New("_type: none of the types is served")
	}
	return q, err
}

// kickOff starts an export, or finds that the same one was written.
func (p *Pull) kickOff(w http.ResponseWriter, r *http.Request) {
	prefer := strings.ToLower(strings.Join(r.Header.Values("Prefer"), ","))
	if !strings.Contains(prefer, "respond-async") {
		outcome(w, http.StatusBadRequest, "required", "an export is asynchronous: send Prefer: respond-async")
		return
	}
	if accept := r.Header.Get("Accept"); accept != "" && !strings.Contains(accept, fhirType) && !strings.Contains(accept, "*/*") {
		outcome(w, http.StatusNotAcceptable, "not-supported", "Accept must allow "+fhirType)
		return
	}
	q, err := bulkQuery(r.URL.Query(), strings.Contains(prefer, "handling=lenient"))
	if err != nil {
		outcome(w, http.StatusBadRequest, "not-supported", err.Error())
		return
	}
	closed, err := p.Exporter.closedMonths(r.Context())
	if err != nil {
		outcome(w, http.StatusInternalServerError, "exception", "the closed months cannot be read; the operator has to look")
		return
	}
	if len(closed) == 0 {
		outcome(w, http.StatusNotFound, "not-found", "no month is closed yet, and this tells of closed months alone; GET /registry/months has the open one")
		return
	}
	// The same question on the same closed months is the same export.
	h := sha256.Sum256([]byte(strings.Join([]string{closed.last().hash, p.Exporter.Key.ID(), q.Since, q.Until, strings.Join(q.Types, ","), r.URL.RequestURI()}, "\x00")))
	id := hex.EncodeToString(h[:16])
	q.Request = p.origin(r) + r.URL.RequestURI()
	if !p.startBulk(r.Context(), id, q) {
		w.Header().Set("Retry-After", retryAfter)
		outcome(w, http.StatusTooManyRequests, "throttled", "another export is being written; ask again")
		return
	}
	w.Header().Set("Content-Location", p.origin(r)+"/registry/fhir/jobs/"+id)
	outcome(w, http.StatusAccepted, "informational", "the export is being written; ask for its status at Content-Location")
}

// origin is the address that a caller uses: the public one where it is configured.
func (p *Pull) origin(r *http.Request) string {
	if u, err := url.Parse(p.BaseURL); err == nil && u.Host != "" {
		return u.Scheme + "://" + u.Host
	}
	if r.TLS != nil {
		return "https://" + r.Host
	}
	return "http://" + r.Host
}

func (p *Pull) bulkDir(id string) string { return filepath.Join(p.BulkDir, id) }

// maxExports is how many exports are kept; the oldest give way.
const maxExports = 8

// startBulk writes an export unless it was written; one is written at a time. false: another one is.
func (p *Pull) startBulk(ctx context.Context, id string, q BulkQuery) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if job := p.jobs[id]; job != nil && (!finished(job.done) || job.err == nil) {
		return true
	}
	job := &bulkJob{done: make(chan struct{})}
	if _, err := readBulk(p.bulkDir(id)); err == nil { // written before a restart
		close(job.done)
		p.jobs[id] = job
		return true
	}
	for _, other := range p.jobs {
		if !finished(other.done) {
			return false
		}
	}
	p.jobs[id] = job
	p.forgetOldest()
	go func() {
		defer close(job.done)
		_, job.err = p.Exporter.Bulk(context.WithoutCancel(ctx), q, p.bulkDir(id)) // goes on when the caller leaves
	}()
	return true
}

// forgetOldest makes room for one more export.
func (p *Pull) forgetOldest() {
	list, err := os.ReadDir(p.BulkDir)
	if err != nil {
		return // there is none yet, or the writing will say what is wrong
	}
	var kept []os.FileInfo
	for _, d := range list {
		if info, err := d.Info(); err == nil && jobID.MatchString(d.Name()) {
			kept = append(kept, info)
		}
	}
	slices.SortFunc(kept, func(a, b os.FileInfo) int { return a.ModTime().Compare(b.ModTime()) })
	for _, info := range kept[:max(0, len(kept)-maxExports+1)] {
		delete(p.jobs, info.Name())
		_ = os.RemoveAll(p.bulkDir(info.Name())) // what stays is overwritten by the same question
	}
}

func finished(done chan struct{}) bool {
	select {
	case <-done:
		return true
	default:
		return false
	}
}

// job finds an export of this process or of an earlier one; false: it has answered the caller.
func (p *Pull) job(w http.ResponseWriter, r *http.Request) (id string, job *bulkJob, ok bool) {
	id = r.PathValue("job")
	if jobID.MatchString(id) {
		p.mu.Lock()
		job = p.jobs[id]
		p.mu.Unlock()
		if job == nil {
			if _, err := readBulk(p.bulkDir(id)); err == nil {
				job = &bulkJob{done: make(chan struct{})}
				close(job.done)
			}
		}
	}
	if job == nil {
		outcome(w, http.StatusNotFound, "not-found", "no such export; GET /registry/fhir/$export starts one")
		return id, nil, false
	}
	return id, job, true
}

func (p *Pull) bulkStatus(w http.ResponseWriter, r *http.Request) {
	id, job, ok := p.job(w, r)
	switch {
	case !ok:
	case !finished(job.done):
		w.Header().Set("X-Progress", "being written")
		w.Header().Set("Retry-After", retryAfter)
		w.WriteHeader(http.StatusAccepted)
	case job.err != nil:
		outcome(w, http.StatusInternalServerError, "exception", "the export could not be written; the operator has to look")
	default:
		m, err := readBulk(p.bulkDir(id))
		if err != nil {
			outcome(w, http.StatusInternalServerError, "exception", "the export cannot be read; the operator has to look")
			return
		}
		for _, list := range [][]BulkFile{m.Output, m.Deleted} {
			for i := range list {
				list[i].URL = p.origin(r) + "/registry/fhir/jobs/" + id + "/" + list[i].URL
			}
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(m)
	}
}

// bulkCancel forgets an export and its files. One that is being written ends by itself and is removed then.
func (p *Pull) bulkCancel(w http.ResponseWriter, r *http.Request) {
	id, job, ok := p.job(w, r)
	if !ok {
		return
	}
	p.mu.Lock()
	delete(p.jobs, id)
	p.mu.Unlock()
	remove := func() {
		<-job.done
		_ = os.RemoveAll(p.bulkDir(id)) // what cannot be removed is written anew by the same question
	}
	if finished(job.done) {
		remove()
	} else {
		go remove()
	}
	outcome(w, http.StatusAccepted, "informational", "the export is cancelled, its files are removed")
}

func (p *Pull) bulkFile(w http.ResponseWriter, r *http.Request) {
	id, job, ok := p.job(w, r)
	if !ok {
		return
	}
	name := r.PathValue("file")
	m, err := readBulk(p.bulkDir(id))
	known := slices.ContainsFunc(slices.Concat(m.Output, m.Deleted), func(f BulkFile) bool { return f.URL == name })
	if err != nil || !finished(job.done) || !known {
		outcome(w, http.StatusNotFound, "not-found", "the export has no such file; its status names them")
		return
	}
	path := filepath.Join(p.bulkDir(id), name)
	hash, _, err := hashFile(path)
	if err != nil {
		outcome(w, http.StatusNotFound, "not-found", "the export has no such file; its status names them")
		return
	}
	p.serve(w, r, path, Resource{Path: name, MediaType: ndjsonType, Hash: hash})
}
