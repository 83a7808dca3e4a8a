package files

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

type pulled struct {
	status int
	header http.Header
	body   []byte
}

func get(t *testing.T, h http.Handler, path string, headers ...string) pulled {
	t.Helper()
	return ask(t, h, http.MethodGet, path, headers...)
}

func ask(t *testing.T, h http.Handler, method, path string, headers ...string) pulled {
	t.Helper()
	r := httptest.NewRequest(method, path, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return pulled{w.Code, w.Header(), w.Body.Bytes()}
}

func newPull(t *testing.T) (*Pull, *time.Time) {
	t.Helper()
	dir := t.TempDir()
	e := newExporter(t, filepath.Join(dir, "closed"), implanted("1", 3, "2026-04-03"), implanted("2", 2, "2026-05-03"))
	if _, err := e.Close(context.Background(), "2026-04", signer); err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 5, 20, 12, 0, 0, 0, time.UTC)
	return &Pull{Exporter: e, Dir: filepath.Join(dir, "open"), Now: func() time.Time { return now }}, &now
}

func TestPullList(t *testing.T) {
	p, _ := newPull(t)
	r := get(t, p, "/registry/months")
	var list struct{ Months []Listed }
	if err := json.Unmarshal(r.body, &list); err != nil || len(list.Months) != 2 {
		t.Fatalf("%d %s", r.status, r.body)
	}
	if a, b := list.Months[0], list.Months[1]; a.Period != "2026-04" || a.Status != Closed || a.Hash == "" || b.Period != "2026-05" || b.Status != Open {
		t.Errorf("%+v", list)
	}
	for _, m := range list.Months {
		if r := get(t, p, m.Manifest); r.status != http.StatusOK {
			t.Errorf("%s: %d", m.Manifest, r.status)
		}
	}
}

// A month pulled file by file verifies as it lies in the service's own folder.
func TestPulledMonthVerifies(t *testing.T) {
	p, _ := newPull(t)
	dir := t.TempDir()
	fetch := func(name string) []byte {
		r := get(t, p, "/registry/months/2026-04/"+name)
		if r.status != http.StatusOK {
			t.Fatalf("%s: %d %s", name, r.status, r.body)
		}
		if err := os.WriteFile(filepath.Join(dir, name), r.body, 0o600); err != nil {
			t.Fatal(err)
		}
		return r.body
	}
	var m Manifest
	if err := json.Unmarshal(fetch(ManifestFile), &m); err != nil {
		t.Fatal(err)
	}
	for _, r := range m.Resources {
		fetch(r.Path)
	}
	fetch(SignatureFile)
	v, err := Verify(dir, signer.Public().(ed25519.PublicKey), "")
	if err != nil || len(v.Faults)+len(v.Notes) > 0 || m.Registry.Counts.Rows != 3 {
		t.Errorf("%v %+v", err, v)
	}
}

// RFC 9110, sections 8.8.3 (ETag), 13.1.2 (If-None-Match), 14 (ranges), 13.1.5 (If-Range).
func TestPullResumesAndCaches(t *testing.T) {
	p, _ := newPull(t)
	const path = "/registry/months/2026-04/" + RowsNDJSON
	whole := get(t, p, path)
	tag := whole.header.Get("ETag")
	if whole.status != http.StatusOK || tag == "" || whole.header.Get("Accept-Ranges") != "bytes" || len(whole.body) < 500 {
		t.Fatalf("%d %v", whole.status, whole.header)
	}
	if r := get(t, p, path, "If-None-Match", tag); r.status != http.StatusNotModified || len(r.body) > 0 {
		t.Errorf("unchanged: %d", r.status)
	}
	rest := get(t, p, path, "Range", "bytes=400-", "If-Range", tag, "Accept-Encoding", "gzip")
	if rest.status != http.StatusPartialContent || !bytes.Equal(rest.body, whole.body[400:]) || rest.header.Get("Content-Encoding") != "" {
		t.Errorf("resumed: %d, %d bytes", rest.status, len(rest.body))
	}
	if r := get(t, p, path, "Range", "bytes=400-", "If-Range", `"other"`); r.status != http.StatusOK || !bytes.Equal(r.body, whole.body) {
		t.Errorf("another file now: %d, want the whole", r.status)
	}
	z := get(t, p, path, "Accept-Encoding", "br, gzip;q=0.5")
	unzip, err := gzip.NewReader(bytes.NewReader(z.body))
	if err != nil || z.header.Get("Content-Encoding") != "gzip" || z.header.Get("ETag") == tag {
		t.Fatalf("gzip: %v %v", err, z.header)
	}
	if b, err := io.ReadAll(unzip); err != nil || !bytes.Equal(b, whole.body) {
		t.Errorf("gzip: %v", err)
	}
	if r := get(t, p, path, "Accept-Encoding", "gzip", "If-None-Match", z.header.Get("ETag")); r.status != http.StatusNotModified {
		t.Errorf("unchanged, gzip: %d", r.status)
	}
	if r := get(t, p, path, "Accept-Encoding", "gzip;q=0"); r.header.Get("Content-Encoding") != "" {
		t.Error("gzip to a caller who refuses it")
	}
}

// An open month is written anew only for a manifest that has grown old; its files stay together with it.
func TestOpenMonthIsWrittenAnewForItsManifest(t *testing.T) {
	p, now := newPull(t)
	const dir = "/registry/months/2026-05/"
	first := get(t, p, dir+ManifestFile)
	p.Exporter.Store = memory{records: []implant.Record{implanted("1", 3, "2026-04-03"), implanted("2", 4, "2026-05-03")}}
	if r := get(t, p, dir+ManifestFile); !bytes.Equal(r.body, first.body) {
		t.Error("written anew at once")
	}
	*now = now.Add(time.Minute)
	rows := get(t, p, dir+RowsNDJSON)
	if n := bytes.Count(rows.body, []byte("\n")); n != 2 {
		t.Errorf("%d rows, the manifest has 2", n)
	}
	if r := get(t, p, dir+ManifestFile); bytes.Equal(r.body, first.body) {
		t.Error("an old manifest is given")
	}
	if n := bytes.Count(get(t, p, dir+RowsNDJSON).body, []byte("\n")); n != 4 {
		t.Errorf("%d rows, want 4", n)
	}
}

func TestPullRefuses(t *testing.T) {
	p, _ := newPull(t)
	for path, want := range map[string]int{
		"/registry/months/2026-4/" + ManifestFile:       http.StatusBadRequest,
		"/registry/months/2026-06/" + ManifestFile:      http.StatusNotFound, // not begun
		"/registry/months/2026-03/" + ManifestFile:      http.StatusNotFound, // never closed
		"/registry/months/2026-04/names.csv":            http.StatusNotFound,
		"/registry/months/2026-04/..%2f..%2fkey":        http.StatusNotFound,
		"/registry/months/2026-05/" + SignatureFile:     http.StatusNotFound,
		"/registry/months/..%2f2026-04/" + ManifestFile: http.StatusBadRequest,
		"/registry/other":                               http.StatusNotFound,
	} {
		if r := get(t, p, path); r.status != want {
			t.Errorf("%s: %d, want %d", path, r.status, want)
		}
	}
}

// Who begins to pull finds what there is, what the columns mean, which months wait to be closed, and is not given an empty
// export where no month is closed.
func TestPullSaysWhatThereIs(t *testing.T) {
	p, now := newPull(t)
	var index map[string]string
	if r := get(t, p, "/registry/"); json.Unmarshal(r.body, &index) != nil || len(index) < 7 {
		t.Fatalf("%d %s", r.status, r.body)
	}
	for route := range index {
		r := get(t, p, strings.Replace(route, "YYYY-MM", "2026-05", 1), "Prefer", "respond-async")
		if r.status != http.StatusOK && r.status != http.StatusAccepted {
			t.Errorf("%s: %d %s", route, r.status, r.body)
		}
	}
	want, err := Dictionary()
	if r := get(t, p, "/registry/dictionary"); err != nil || string(r.body) != want || r.header.Get("ETag") == "" {
		t.Errorf("dictionary: %v, %d bytes", err, len(r.body))
	}
	*now = time.Date(2026, 7, 2, 0, 0, 0, 0, time.UTC)
	var list struct{ Months []Listed }
	if r := get(t, p, "/registry/months"); json.Unmarshal(r.body, &list) != nil || len(list.Months) != 4 {
		t.Fatalf("%d %s", r.status, r.body)
	}
	for i, w := range []Listed{{Period: "2026-04", Status: Closed}, {Period: "2026-05", Status: Open, Over: true}, {Period: "2026-06", Status: Open, Over: true}, {Period: "2026-07", Status: Open}} {
		if g := list.Months[i]; g.Period != w.Period || g.Status != w.Status || g.Over != w.Over || (g.Note != "") != (w.Status == Open) {
			t.Errorf("%+v, want %+v", g, w)
		}
	}
	p.Exporter.ClosedDir = filepath.Join(t.TempDir(), "none")
	if r := get(t, p, "/registry/fhir/$export", "Prefer", "respond-async"); r.status != http.StatusNotFound || !strings.Contains(string(r.body), "no month is closed yet") {
		t.Errorf("%d %s", r.status, r.body)
	}
}
