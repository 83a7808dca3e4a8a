package files

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Limits of reading.
const (
	MaxResourceBytes = 32 << 20 // one resource or Bundle: the largest limits.message_bytes that a configuration may say
	maxFileFaults    = 1000     // faults kept from one call of Read
)

// Read calls f for each resource or Bundle in files and folders: a .json file is one, a .ndjson or .jsonl file has
// one a line, either may be gzip (.gz). Folders are read through in order of name, other files and links in them are
// passed over and told to passed, where that is not nil; a file named itself must be one of the kinds. name is the path, with the line of an NDJSON file after a
// colon. body is f's to keep.
//
// A file or line that cannot be read does not stop the others: the faults are joined in the error, each with file
// and line. An error of f stops the reading and is returned first.
func Read(paths []string, passed func(path string), f func(name string, body []byte) error) error {
	r := reader{each: f, passed: passed}
	for _, p := range paths {
		if err := r.path(p); err != nil {
			return err
		}
	}
	if r.more > 0 {
		r.faults = append(r.faults, fmt.Errorf("and %d more", r.more))
	}
	return errors.Join(r.faults...)
}

type reader struct {
	each   func(string, []byte) error
	passed func(string)
	faults []error
	more   int
}

// stop wraps an error of the caller's function.
type stop struct{ error }

func (s stop) Unwrap() error { return s.error }

func (r *reader) fault(format string, args ...any) {
	if len(r.faults) == maxFileFaults {
		r.more++
		return
	}
	r.faults = append(r.faults, fmt.Errorf(format, args...))
}

func (r *reader) path(root string) error {
	info, err := os.Stat(root)
	if err != nil {
		r.fault("%w", err)
		return nil
	}
	if !info.IsDir() {
		if kind(root) == "" {
			r.fault("%s: want .json, .ndjson or .jsonl, or one of them with .gz", root)
			return nil
		}
		return r.file(root)
	}
	return filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			r.fault("%w", err)
			return nil
		case d.IsDir():
			return nil
		case !d.Type().IsRegular() || kind(path) == "":
			if r.passed != nil {
				r.passed(path)
			}
			return nil
		}
		return r.file(path)
	})
}

// kind gives json or ndjson by the name, "" other.
func kind(path string) string {
	name := strings.TrimSuffix(strings.ToLower(filepath.Base(path)), ".gz")
	switch filepath.Ext(name) {
	case ".json":
		return "json"
	case ".ndjson", ".jsonl":
		return "ndjson"
	}
	return ""
}

func (r *reader) file(path string) error {
	file, err := os.Open(path)
	if err != nil {
		r.fault("%w", err)
		return nil
	}
	defer file.Close()
	var in io.Reader = file
	if strings.HasSuffix(strings.ToLower(path), ".gz") {
		z, err := gzip.NewReader(file)
		if err != nil {
			r.fault("%s: %w", path, err)
			return nil
		}
		in = z
	}
	if kind(path) == "ndjson" {
		return r.lines(path, in)
	}
	body, err := io.ReadAll(io.LimitReader(in, MaxResourceBytes+1))
	switch {
	case err != nil:
		r.fault("%s: %w", path, err)
	case len(body) > MaxResourceBytes:
		r.fault("%s: over the limit of %d bytes for one resource; split it, or write one resource a line as .ndjson", path, MaxResourceBytes)
	case len(bytes.TrimSpace(body)) == 0:
		r.fault("%s: the file is empty", path)
	default:
		return r.give(path, body)
	}
	return nil
}

func (r *reader) give(name string, body []byte) error {
	if err := r.each(name, body); err != nil {
		return stop{fmt.Errorf("%s: %w", name, err)}
	}
	return nil
}

// lines reads one resource a line. A line over the limit is passed over to its end.
func (r *reader) lines(path string, in io.Reader) error {
	b := bufio.NewReaderSize(in, 64<<10)
	for n := 1; ; n++ {
		line, tooLong, err := limitedLine(b)
		if err != nil && err != io.EOF {
			r.fault("%s:%d: %w", path, n, err)
			return nil
		}
		switch body := bytes.TrimSpace(line); {
		case tooLong:
			r.fault("%s:%d: over the limit of %d bytes for one resource", path, n, MaxResourceBytes)
		case len(body) > 0:
			if err := r.give(fmt.Sprintf("%s:%d", path, n), slices.Clone(body)); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return nil
		}
	}
}

// limitedLine reads to the end of a line, keeping no more than the limit.
func limitedLine(b *bufio.Reader) (line []byte, tooLong bool, err error) {
	for {
		part, err := b.ReadSlice('\n')
		if len(line)+len(part) > MaxResourceBytes+2 {
			tooLong, line = true, nil
		} else if !tooLong {
			line = append(line, part...)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, tooLong, err
		}
	}
}
