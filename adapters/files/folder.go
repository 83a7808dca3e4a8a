package files

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path/filepath"
)

// Modes: pseudonymised data is still personal data.
const (
	folderMode = 0o750
	fileMode   = 0o640
)

// folder is a folder in the making: it has its name only when it is whole and on disk.
type folder struct {
	tmp, final string
	fast       bool // do not wait for the disk
	kept       bool // the store says that it is closed: it stays, whatever happens
}

// newFolder starts a folder beside its final place.
func newFolder(final string) (*folder, error) {
	parent := filepath.Dir(final)
	if err := os.MkdirAll(parent, folderMode); err != nil {
		return nil, err
	}
	tmp, err := os.MkdirTemp(parent, "."+filepath.Base(final)+"-*")
	if err != nil {
		return nil, err
	}
	return &folder{tmp: tmp, final: final}, os.Chmod(tmp, folderMode)
}

// discard removes what was written, if it was not put in place.
func (f *folder) discard() {
	if !f.kept {
		_ = os.RemoveAll(f.tmp)
	}
}

// keep calls record, which keeps in the store that this is the folder, once it is whole and on disk under its passing name.
func (f *folder) keep(record func() error) error {
	if err := errors.Join(f.sync(f.tmp), f.sync(filepath.Dir(f.final))); err != nil {
		return err
	}
	err := record()
	f.kept = err == nil
	return err
}

// place gives the folder its name. An earlier folder of the name is replaced where replace says so; between the
// two renames there is no folder of that name, never half a one.
func (f *folder) place(replace bool) error {
	if err := f.sync(f.tmp); err != nil {
		return err
	}
	old := f.tmp + ".old"
	if replace {
		if err := os.Rename(f.final, old); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if err := os.Rename(f.tmp, f.final); err != nil {
		return errors.Join(err, restore(old, f.final))
	}
	return errors.Join(f.sync(filepath.Dir(f.final)), os.RemoveAll(old))
}

func restore(old, final string) error {
	if err := os.Rename(old, final); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

func (f *folder) sync(dir string) error {
	if f.fast {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// output is a file that counts and hashes what is written to it.
type output struct {
	f     *os.File
	w     *bufio.Writer
	h     hash.Hash
	path  string
	fast  bool
	bytes int64
	lines int64
}

func (f *folder) create(name string) (*output, error) {
	file, err := os.OpenFile(filepath.Join(f.tmp, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, fileMode)
	if err != nil {
		return nil, err
	}
	o := &output{f: file, h: sha256.New(), path: name, fast: f.fast}
	o.w = bufio.NewWriterSize(io.MultiWriter(file, o.h), 256<<10)
	return o, nil
}

// line writes bytes that end one row.
func (o *output) line(b []byte) error {
	o.lines++
	return o.write(b)
}

func (o *output) write(b []byte) error {
	n, err := o.w.Write(b)
	o.bytes += int64(n)
	return err
}

// close puts the file on disk and describes it.
func (o *output) close(r Resource) (Resource, error) {
	err := o.w.Flush()
	if !o.fast {
		err = errors.Join(err, o.f.Sync())
	}
	err = errors.Join(err, o.f.Close())
	if err != nil {
		return r, fmt.Errorf("%s: %w", o.path, err)
	}
	r.Path, r.Encoding, r.Bytes, r.Lines = o.path, "utf-8", o.bytes, o.lines
	r.Hash = "sha256:" + hex.EncodeToString(o.h.Sum(nil))
	return r, nil
}

// put writes a whole small file.
func (f *folder) put(name string, b []byte) error {
	o, err := f.create(name)
	if err != nil {
		return err
	}
	if err := o.write(b); err != nil {
		return err
	}
	_, err = o.close(Resource{})
	return err
}

// copy takes over a file of another folder.
func (f *folder) copy(from, name string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	o, err := f.create(name)
	if err != nil {
		return err
	}
	if _, err := io.Copy(o.w, in); err != nil {
		return errors.Join(err, o.f.Close())
	}
	_, err = o.close(Resource{})
	return err
}
