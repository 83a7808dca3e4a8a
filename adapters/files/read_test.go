package files

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func put(t *testing.T, dir, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func zipped(t *testing.T, s string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write([]byte(s)); err != nil || z.Close() != nil {
		t.Fatal("gzip")
	}
	return b.Bytes()
}

func TestReadInOrder(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "b/2.ndjson", []byte("{\"n\":1}\r\n\n  {\"n\":2}"))
	put(t, dir, "b/1.json", []byte(`{"n":0}`))
	put(t, dir, "c.jsonl.gz", zipped(t, "{\"n\":3}\n{\"n\":4}\n"))
	put(t, dir, "d.JSON.GZ", zipped(t, `{"n":5}`))
	put(t, dir, "notes.txt", []byte("passed over"))
	last := put(t, t.TempDir(), "z.json", []byte(`{"n":6}`))
	var got []string
	err := Read([]string{dir, last}, nil, func(name string, body []byte) error {
		got = append(got, strings.TrimPrefix(name, dir+"/")+" "+string(body))
		return nil
	})
	want := []string{`b/1.json {"n":0}`, `b/2.ndjson:1 {"n":1}`, `b/2.ndjson:3 {"n":2}`, `c.jsonl.gz:1 {"n":3}`, `c.jsonl.gz:2 {"n":4}`, `d.JSON.GZ {"n":5}`, last + ` {"n":6}`}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%v\ngot  %q\nwant %q", err, got, want)
	}
}

func TestReadFaultsDoNotStopTheOthers(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "1.json", []byte(" \n"))
	put(t, dir, "2.json.gz", []byte("no gzip"))
	put(t, dir, "3.json", bytes.Repeat([]byte(" "), MaxResourceBytes+1))
	put(t, dir, "4.ndjson", slices.Concat([]byte("{\"a\":1}\n"), bytes.Repeat([]byte("x"), MaxResourceBytes+10), []byte("\n{\"b\":1}\n")))
	half := zipped(t, strings.Repeat("{\"c\":1}\n", 1000))
	put(t, dir, "5.ndjson.gz", half[:len(half)-20])
	put(t, dir, "6.json", []byte(`{"last":1}`))
	var got []string
	err := Read([]string{filepath.Join(dir, "no-such"), filepath.Join(dir, "notes.txt"), dir}, nil, func(name string, _ []byte) error {
		got = append(got, filepath.Base(name))
		return nil
	})
	for _, want := range []string{"no-such", "1.json: the file is empty", "2.json.gz", "3.json: over the limit", "4.ndjson:2: over the limit", "5.ndjson.gz:"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("no fault %q in %v", want, err)
		}
	}
	for _, want := range []string{"4.ndjson:1", "4.ndjson:3", "6.json"} {
		if !slices.Contains(got, want) {
			t.Errorf("%s was not read", want)
		}
	}
}

func TestReadStopsWhenToldTo(t *testing.T) {
	dir := t.TempDir()
	path := put(t, dir, "1.ndjson", []byte("{}\n{}\n{}\n"))
	full, n := errors.New("full"), 0
	err := Read([]string{path}, nil, func(string, []byte) error {
		if n++; n == 2 {
			return full
		}
		return nil
	})
	if !errors.Is(err, full) || n != 2 || !strings.Contains(fmt.Sprint(err), "1.ndjson:2") {
		t.Errorf("%v after %d", err, n)
	}
	if err := Read([]string{put(t, dir, "x.csv", nil)}, nil, func(string, []byte) error { return nil }); err == nil {
		t.Error("a file of another kind that was named is passed over")
	}
}
