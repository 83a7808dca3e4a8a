package files

import (
	"bytes"
	"context"
	"net/http"
	"time"
)

// reportFresh is how old a report may be when it is given again: making one reads every record.
const reportFresh = 10 * time.Minute

// reporting is a report being made, or the last one made.
type reporting struct {
	done   chan struct{}
	at     time.Time
	report Report
	err    error
}

// MonthStart is the first moment of the month of now: the data cut of figures, so that they tell of whole months.
func MonthStart(now time.Time) time.Time {
	now = now.UTC()
	return time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
}

// maker makes a report as of a moment.
type maker func(ctx context.Context, e *Exporter, now time.Time) (Report, error)

// reports serves a report: the list of its files, and each file with an ETag.
func (p *Pull) reports(name string, make maker) (list, file http.HandlerFunc) {
	list = func(w http.ResponseWriter, r *http.Request) {
		rep, ok := p.report(w, r, name, make)
		if !ok {
			return
		}
		var list []string
		for _, f := range rep.Files {
			list = append(list, "/registry/"+name+"/"+f.Name)
		}
		w.Header().Set("Content-Type", "application/json")
		b, err := encode(map[string]any{"dataCut": rep.Cut.UTC().Format(time.RFC3339), "files": list}, "")
		if err == nil {
			_, _ = w.Write(b)
		}
	}
	file = func(w http.ResponseWriter, r *http.Request) {
		rep, ok := p.report(w, r, name, make)
		if !ok {
			return
		}
		f, ok := rep.File(r.PathValue("file"))
		if !ok {
			say(w, http.StatusNotFound, "no such file; GET /registry/"+name+" lists them")
			return
		}
		send(w, r, bytes.NewReader(f.Bytes), Resource{Path: f.Name, MediaType: f.MediaType, Hash: Hash(f.Bytes)})
	}
	return list, file
}

// report gives the report, made now when the last is old; false: it has answered the caller.
func (p *Pull) report(w http.ResponseWriter, r *http.Request, name string, make maker) (Report, bool) {
	x := p.startReport(r.Context(), name, make)
	ctx, cancel := context.WithTimeout(r.Context(), waitForMonth)
	defer cancel()
	select {
	case <-x.done:
	case <-ctx.Done():
		w.Header().Set("Retry-After", retryAfter)
		say(w, http.StatusAccepted, "the report is being made; ask again")
		return Report{}, false
	}
	if x.err != nil {
		w.Header().Set("Retry-After", retryAfter)
		say(w, http.StatusServiceUnavailable, "the report could not be made; the operator has to look")
		return Report{}, false
	}
	return x.report, true
}

func (p *Pull) startReport(ctx context.Context, name string, mk maker) *reporting {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.Now()
	if x := p.made[name]; x != nil {
		select {
		case <-x.done:
			if x.err == nil && now.Sub(x.at) < reportFresh {
				return x
			}
		default:
			return x
		}
	}
	x := &reporting{done: make(chan struct{}), at: now}
	p.made[name] = x
	go func() {
		defer close(x.done)
		x.report, x.err = mk(context.WithoutCancel(ctx), p.Exporter, now)
	}()
	return x
}
