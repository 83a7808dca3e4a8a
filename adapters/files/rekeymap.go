package files

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"gaussline/mapping/registry"
)

// rekeyer gives today's pseudonym for one made under a former key: the key itself, or a registry's re-key maps.
type rekeyer interface {
	ID() string // of the key in force
	Rekey(from, domain, pseudonym string) (string, error)
}

// rekeyMaps are re-key maps as a registry has them, all to one key: no key is needed to read months by them. They are held
// in memory, 66 bytes a pseudonym.
type rekeyMaps struct {
	to   string
	from map[string]*rekeyList
}

// rekeyList is one map, sorted by domain and old pseudonym.
type rekeyList struct {
	lines []rekeyLine
	used  []bool // asked for
}

type rekeyLine struct {
	domain   byte // place in rekeyDomains
	old, now [sha256.Size]byte
}

// rekeyDomains in the order in which a map has them.
var rekeyDomains = []string{registry.DomainComponent, registry.DomainEvent, registry.DomainPatient, registry.DomainRow, registry.DomainSystem}

func (a rekeyLine) compare(b rekeyLine) int {
	return cmp.Or(cmp.Compare(a.domain, b.domain), bytes.Compare(a.old[:], b.old[:]))
}

// readRekeyMaps reads a map, or all maps of a folder. A map that is not one to one within a domain is an error: two
// subjects would become one, or one two.
func readRekeyMaps(path string) (*rekeyMaps, error) {
	paths := []string{path}
	if info, err := os.Stat(path); err != nil {
		return nil, err
	} else if info.IsDir() {
		if paths, err = filepath.Glob(filepath.Join(path, "*.csv")); err != nil {
			return nil, err
		}
	}
	m := &rekeyMaps{from: map[string]*rekeyList{}}
	for _, p := range paths {
		if !mapName.MatchString(filepath.Base(p)) {
			return nil, fmt.Errorf("%s: the name of a re-key map is FORMER-CURRENT.csv, the ids of two keys", p)
		}
		from, to, _ := strings.Cut(strings.TrimSuffix(filepath.Base(p), ".csv"), "-")
		if m.to != "" && m.to != to {
			return nil, fmt.Errorf("%s: leads to another key than the other map: of two changes of key only the newest maps hold", p)
		}
		list, err := readRekeyMap(p)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		m.to, m.from[from] = to, list
	}
	if len(m.from) == 0 {
		return nil, fmt.Errorf("%s: holds no re-key map", path)
	}
	return m, nil
}

func readRekeyMap(path string) (*rekeyList, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.ReuseRecord, r.FieldsPerRecord = true, 3
	if head, err := r.Read(); err != nil || strings.Join(head, ",") != rekeyHeader {
		return nil, fmt.Errorf("the first line is not %s (%w)", rekeyHeader, errors.Join(err))
	}
	list := &rekeyList{}
	for {
		cells, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		line, err := newRekeyLine(cells)
		if err != nil {
			return nil, err
		}
		if n := len(list.lines); n > 0 && list.lines[n-1].compare(line) >= 0 {
			return nil, fmt.Errorf("line %d: pseudonyms are not in order, or one is there twice", n+2)
		}
		list.lines = append(list.lines, line)
	}
	list.used = make([]bool, len(list.lines))
	return list, list.oneToOne()
}

func newRekeyLine(cells []string) (l rekeyLine, err error) {
	d := slices.Index(rekeyDomains, cells[0])
	if d < 0 {
		return l, fmt.Errorf("%q is no kind of pseudonym", cells[0])
	}
	l.domain = byte(d)
	if !pseudonym(cells[1], &l.old) || !pseudonym(cells[2], &l.now) {
		return l, fmt.Errorf("a %s has a pseudonym that is none", cells[0])
	}
	return l, nil
}

// pseudonym reads 64 lower-case hex digits.
func pseudonym(s string, to *[sha256.Size]byte) bool {
	n, err := hex.Decode(to[:], []byte(s[:min(len(s), 2*sha256.Size)]))
	return err == nil && n == len(to) && len(s) == 2*sha256.Size && s == strings.ToLower(s)
}

// oneToOne wants every new pseudonym of a domain once.
func (l *rekeyList) oneToOne() error {
	now := make([]rekeyLine, len(l.lines))
	for i, x := range l.lines {
		now[i] = rekeyLine{domain: x.domain, old: x.now}
	}
	slices.SortFunc(now, rekeyLine.compare)
	for i := 1; i < len(now); i++ {
		if now[i] == now[i-1] {
			return fmt.Errorf("two pseudonyms of a %s lead to one: %x", rekeyDomains[now[i].domain], now[i].old)
		}
	}
	return nil
}

// ID is that of the key to which the maps lead.
func (m *rekeyMaps) ID() string { return m.to }

// Rekey looks a pseudonym up; "" stays "".
func (m *rekeyMaps) Rekey(from, domain, id string) (string, error) {
	l := m.from[from]
	if l == nil {
		return "", fmt.Errorf("no re-key map from key %s to %s is at hand", from, m.to)
	}
	if id == "" {
		return "", nil
	}
	want := rekeyLine{domain: byte(slices.Index(rekeyDomains, domain))}
	if pseudonym(id, &want.old) {
		if i, ok := slices.BinarySearchFunc(l.lines, want, rekeyLine.compare); ok {
			l.used[i] = true
			return hex.EncodeToString(l.lines[i].now[:]), nil
		}
	}
	return "", fmt.Errorf("the re-key map from key %s does not have the %s %s", from, domain, id)
}

// unused counts the pseudonyms that nobody asked for.
func (m *rekeyMaps) unused() (n int) {
	for _, l := range m.from {
		for _, u := range l.used {
			if !u {
				n++
			}
		}
	}
	return n
}
