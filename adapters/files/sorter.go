package files

import (
	"bufio"
	"bytes"
	"cmp"
	"container/heap"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

// Limits of sorting.
const (
	defaultSortBytes = 32 << 20 // rows held in memory before a run goes to disk
	entryOverhead    = 64       // what an entry costs beside its bytes, about
	maxEntryBytes    = 1 << 20  // no row comes near it; guards against a damaged run
	runBuffer        = 32 << 10 // read buffer of one run
)

// entry is something to be sorted by key; equal keys by value, so that the order never depends on arrival.
type entry struct{ key, value []byte }

func compareEntries(a, b entry) int {
	return cmp.Or(bytes.Compare(a.key, b.key), bytes.Compare(a.value, b.value))
}

// sorter sorts any number of entries in bounded memory: sorted runs in temporary files, merged when read.
type sorter struct {
	dir    string
	budget int
	size   int
	n      int64 // entries taken
	held   []entry
	runs   []*os.File
}

// add takes an entry; the slices must not be changed after.
func (s *sorter) add(e entry) error {
	s.held = append(s.held, e)
	s.n++
	s.size += len(e.key) + len(e.value) + entryOverhead
	if s.size < s.budget {
		return nil
	}
	return s.spill()
}

func (s *sorter) spill() error {
	f, err := os.CreateTemp(s.dir, "run-*")
	if err != nil {
		return fmt.Errorf("sort: %w", err)
	}
	s.runs = append(s.runs, f)
	slices.SortFunc(s.held, compareEntries)
	w := bufio.NewWriterSize(f, 1<<20)
	var n [binary.MaxVarintLen64]byte
	for _, e := range s.held {
		for _, b := range [][]byte{e.key, e.value} {
			_, _ = w.Write(n[:binary.PutUvarint(n[:], uint64(len(b)))])
			_, _ = w.Write(b) // an error stays until Flush
		}
	}
	s.held, s.size = nil, 0
	if err := w.Flush(); err != nil {
		return fmt.Errorf("sort: %w", err)
	}
	_, err = f.Seek(0, io.SeekStart)
	return err
}

// each calls f for every entry in order.
func (s *sorter) each(f func(entry) error) error {
	slices.SortFunc(s.held, compareEntries)
	var h runHeap
	held := 0
	sources := []func() (entry, error){func() (entry, error) {
		if held == len(s.held) {
			return entry{}, io.EOF
		}
		held++
		return s.held[held-1], nil
	}}
	for _, r := range s.runs {
		b := bufio.NewReaderSize(r, runBuffer)
		sources = append(sources, func() (entry, error) { return readEntry(b) })
	}
	for _, next := range sources {
		if err := h.fill(next); err != nil {
			return err
		}
	}
	for len(h) > 0 {
		if err := f(h[0].entry); err != nil {
			return err
		}
		if err := h.advance(); err != nil {
			return err
		}
	}
	return nil
}

// close removes the runs.
func (s *sorter) close() error {
	var errs []error
	for _, r := range s.runs {
		errs = append(errs, r.Close(), os.Remove(r.Name()))
	}
	s.runs, s.held = nil, nil
	return errors.Join(errs...)
}

func readEntry(r *bufio.Reader) (e entry, err error) {
	for i, b := range []*[]byte{&e.key, &e.value} {
		n, err := binary.ReadUvarint(r)
		if err == io.EOF && i == 0 {
			return e, io.EOF
		}
		if err != nil || n > maxEntryBytes {
			return e, fmt.Errorf("sort: run is damaged: %w", errors.Join(err, io.ErrUnexpectedEOF))
		}
		*b = make([]byte, n)
		if _, err := io.ReadFull(r, *b); err != nil {
			return e, fmt.Errorf("sort: run is damaged: %w", err)
		}
	}
	return e, nil
}

// head is the next entry of a source.
type head struct {
	entry
	next func() (entry, error)
}

type runHeap []head

func (h runHeap) Len() int           { return len(h) }
func (h runHeap) Less(i, j int) bool { return compareEntries(h[i].entry, h[j].entry) < 0 }
func (h runHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push adds a head, as container/heap asks.
func (h *runHeap) Push(x any) { *h = append(*h, x.(head)) }

// Pop takes the last head off, as container/heap asks.
func (h *runHeap) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

// fill adds a source with its first entry.
func (h *runHeap) fill(next func() (entry, error)) error {
	e, err := next()
	if err == io.EOF {
		return nil
	}
	if err == nil {
		heap.Push(h, head{e, next})
	}
	return err
}

// advance replaces the least head by the next entry of its source.
func (h *runHeap) advance() error {
	e, err := (*h)[0].next()
	switch {
	case err == io.EOF:
		heap.Pop(h)
		return nil
	case err != nil:
		return err
	}
	(*h)[0].entry = e
	heap.Fix(h, 0)
	return nil
}
