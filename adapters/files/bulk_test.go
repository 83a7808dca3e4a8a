package files

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// resources decodes the NDJSON of an export by "Type/id"; deletions are under "deleted Type/id".
func resources(t testing.TB, m BulkManifest, read func(file string) []byte) map[string]map[string]any {
	t.Helper()
	out := map[string]map[string]any{}
	for _, f := range append(slices.Clone(m.Output), m.Deleted...) {
		n := int64(0)
		for _, line := range bytes.Split(bytes.TrimSpace(read(f.URL)), []byte("\n")) {
			var r map[string]any
			if err := json.Unmarshal(line, &r); err != nil {
				t.Fatal(err)
			}
			n++
			if r["resourceType"] != f.Type {
				t.Errorf("%s holds a %s", f.URL, r["resourceType"])
			}
			key := fmt.Sprint(r["resourceType"], "/", r["id"])
			if f.Type == "Bundle" {
				request := r["entry"].([]any)[0].(map[string]any)["request"].(map[string]any)
				key = fmt.Sprint("deleted ", request["url"])
			}
			if out[key] != nil {
				t.Errorf("%s is there twice", key)
			}
			out[key] = r
		}
		if n != f.Count {
			t.Errorf("%s: %d lines, the manifest says %d", f.URL, n, f.Count)
		}
	}
	return out
}

// references collects every reference of a resource.
func references(v any, out *[]string) {
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			if s, ok := y.(string); ok && k == "reference" {
				*out = append(*out, s)
			}
			references(y, out)
		}
	case []any:
		for _, y := range x {
			references(y, out)
		}
	}
}

func bulk(t testing.TB, e *Exporter, q BulkQuery) map[string]map[string]any {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "bulk")
	m, err := e.Bulk(t.Context(), q, dir)
	if err != nil {
		t.Fatal(err)
	}
	files := readMonth(t, dir)
	return resources(t, m, func(name string) []byte { return files[name] })
}

// What a Bulk Data client holds after a full load and loads since then is what a full load gives today: deletions, a
// merged patient and a re-keyed month included.
func TestBulkLoadsSinceAddUp(t *testing.T) {
	ctx, closed := context.Background(), filepath.Join(t.TempDir(), "closed")
	one, two, gone := implanted("1", 2, "2026-01-03"), implanted("2", 1, "2026-01-04"), implanted("3", 1, "2026-01-05")
	seen := implanted("4", 2, "2026-01-06")
	seen.Events[0].In = seen.Events[0].In[:1] // the other is on record alone
	one.Events = append(one.Events, implant.Event{ID: "c", Kind: implant.EventComplication, At: "2026-01-20", Values: []string{"infection"}, Said: []string{"wound infection"}},
		implant.Event{ID: "f", Kind: implant.EventFollowUp, At: "2026-01", Values: []string{"NRS 7", "12 h/day"}, Parts: []string{one.Parts[0].ID}})
	e := newExporter(t, closed, one, two, gone, seen)
	month := func(period string) {
		t.Helper()
		if _, err := e.Close(ctx, period, signer); err != nil {
			t.Fatal(err)
		}
	}
	month("2026-01")
	client := bulk(t, e, BulkQuery{})
	for _, want := range []string{"Patient/", "Device/", "Procedure/", "AdverseEvent/", "Observation/", "DeviceUseStatement/"} {
		if !slices.ContainsFunc(slices.Collect(keysOf(client)), func(k string) bool { return strings.HasPrefix(k, want) }) {
			t.Errorf("no %s in the export", want)
		}
	}
	for key, r := range client {
		var refs []string
		references(r, &refs)
		for _, ref := range refs {
			if client[ref] == nil {
				t.Errorf("%s names %s, which is not there", key, ref)
			}
		}
	}
	// Patient 2 turns out to be patient 1, patient 3 was an error, and a lot is mended.
	two.Patient = one.Patient
	one.Parts, one.Events = append(one.Parts, two.Parts...), append(one.Events, two.Events...)
	seen.Parts[0].Component.Lot = "MENDED"
	e.Store = memory{records: []implant.Record{one, seen, implanted("5", 1, "2026-02-02")}}
	month("2026-02")
	since := bulk(t, e, BulkQuery{Since: "2026-02-01T00:00:00Z"})
	for key, r := range since {
		if name, ok := strings.CutPrefix(key, "deleted "); ok {
			if client[name] == nil {
				t.Errorf("%s is deleted and was never there", name)
			}
			delete(client, name)
		} else {
			client[key] = r
		}
	}
	now := bulk(t, e, BulkQuery{})
	a, _ := json.Marshal(client)
	b, _ := json.Marshal(now)
	if !bytes.Equal(a, b) {
		t.Errorf("a client that follows holds %d resources, a full load gives %d", len(client), len(now))
	}
	if len(since) >= len(now) {
		t.Errorf("since: %d resources of %d", len(since), len(now))
	}
	if then := bulk(t, e, BulkQuery{Until: "2026-02-15T00:00:00Z"}); then["Device/"+e.Key.Pseudonym(registry.DomainComponent, "part-5-0")] != nil {
		t.Error("a month that was not closed by then is told of")
	}
	e.Key = after(t, e.Key, secondKey)
	if rekeyed := bulk(t, e, BulkQuery{}); len(rekeyed) != len(now) || rekeyed["Patient/"+e.Key.Pseudonym(registry.DomainPatient, one.Patient)] == nil {
		t.Errorf("after a change of key: %d resources of %d", len(rekeyed), len(now))
	}
	if typed := bulk(t, e, BulkQuery{Types: []string{"Device"}}); len(typed) == 0 || slices.ContainsFunc(slices.Collect(keysOf(typed)), func(k string) bool { return !strings.HasPrefix(k, "Device/") }) {
		t.Error("_type is not kept to")
	}
}

func keysOf(m map[string]map[string]any) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// Kick-off, status, manifest, files and deletion as HL7 FHIR Bulk Data Access 3.0.0, "Export", has them.
func TestBulkOverHTTP(t *testing.T) {
	p, _ := newPull(t)
	p.BulkDir = filepath.Join(t.TempDir(), "fhir")
	async := []string{"Prefer", "respond-async", "Accept", "application/fhir+json"}
	start := get(t, p, "/registry/fhir/$export", async...)
	at, err := url.Parse(start.header.Get("Content-Location"))
	if start.status != http.StatusAccepted || err != nil || !at.IsAbs() {
		t.Fatalf("%d %v", start.status, start.header)
	}
	wait := func(path string) pulled {
		p.mu.Lock()
		job := p.jobs[filepath.Base(path)]
		p.mu.Unlock()
		<-job.done
		return get(t, p, path)
	}
	done := wait(at.Path)
	var m BulkManifest
	if err := json.Unmarshal(done.body, &m); err != nil || done.status != http.StatusOK || !m.RequiresAccessToken || m.TransactionTime != "2026-05-01T00:00:00Z" || m.Error == nil || !strings.HasSuffix(m.Request, "/registry/fhir/$export") {
		t.Fatalf("%d %s", done.status, done.body)
	}
	got := resources(t, m, func(address string) []byte {
		u, err := url.Parse(address)
		if err != nil || !u.IsAbs() {
			t.Errorf("%s is not absolute", address)
		}
		r := get(t, p, u.Path)
		if r.status != http.StatusOK || r.header.Get("Content-Type") != "application/fhir+ndjson" || r.header.Get("ETag") == "" {
			t.Errorf("%s: %d %v", address, r.status, r.header)
		}
		return r.body
	})
	if len(got) != 1+3+1 { // a patient, three components, an implantation: the closed month alone
		t.Errorf("%d resources", len(got))
	}
	if again := get(t, p, "/registry/fhir/$export", async...); again.header.Get("Content-Location") != start.header.Get("Content-Location") {
		t.Error("the same question is another export")
	}
	for query, want := range map[string]int{"?_type=Device,Patient": http.StatusAccepted, "?_outputFormat=ndjson&_since=2026-04-01T00:00:00Z": http.StatusAccepted,
		"?_outputFormat=csv": http.StatusBadRequest, "?_since=yesterday": http.StatusBadRequest, "?_type=Claim": http.StatusBadRequest, "?_elements=id": http.StatusBadRequest} {
		r := get(t, p, "/registry/fhir/$export"+query, async...)
		if r.status != want || !strings.Contains(string(r.body), `"OperationOutcome"`) {
			t.Errorf("%s: %d %s", query, r.status, r.body)
		}
		if r.status == http.StatusAccepted {
			u, _ := url.Parse(r.header.Get("Content-Location"))
			if s := wait(u.Path); s.status != http.StatusOK {
				t.Errorf("%s: %d", query, s.status)
			}
		}
	}
	if r := get(t, p, "/registry/fhir/$export?_elements=id", "Prefer", "respond-async, handling=lenient"); r.status != http.StatusAccepted {
		t.Errorf("lenient: %d", r.status)
	} else if u, err := url.Parse(r.header.Get("Content-Location")); err != nil || wait(u.Path).status != http.StatusOK {
		t.Errorf("lenient: %v %v", r.header, err) // waited for: nothing may be written while the test's folder is removed
	}
	if r := get(t, p, "/registry/fhir/$export"); r.status != http.StatusBadRequest {
		t.Errorf("not asynchronous: %d", r.status)
	}
	for _, path := range []string{"/registry/fhir/jobs/0", "/registry/fhir/jobs/..%2f..", at.Path + "/manifest.json", at.Path + "/..%2fx"} {
		if r := get(t, p, path); r.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, r.status)
		}
	}
	fresh := &Pull{Exporter: p.Exporter, BulkDir: p.BulkDir, Now: p.Now} // after a restart
	if r := get(t, fresh, at.Path); r.status != http.StatusOK {
		t.Errorf("after a restart: %d", r.status)
	}
	if r := ask(t, p, http.MethodDelete, at.Path); r.status != http.StatusAccepted {
		t.Errorf("cancel: %d", r.status)
	}
	if r := get(t, p, at.Path); r.status != http.StatusNotFound {
		t.Errorf("cancelled: %d", r.status)
	}
}
