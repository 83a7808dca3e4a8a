package files

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// memory is a store of records in the order given.
type memory struct {
	pipeline.Reader
	records []implant.Record
}

// View hands out the reader.
func (m memory) View(_ context.Context, f func(pipeline.Reader) error) error { return f(m) }

// Records goes through the records.
func (m memory) Records(ctx context.Context, _ string, f func(implant.Record) error) error {
	for _, r := range m.records {
		if err := f(r); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

// testKey is for tests only.
var testKey = []byte("0123456789abcdef0123456789abcdef")

// signer is made of a fixed value so that signatures are the same in every run.
var signer = ed25519.NewKeyFromSeed(testKey)

func newExporter(t testing.TB, closed string, records ...implant.Record) *Exporter {
	t.Helper()
	k, err := NewKey("north", testKey)
	if err != nil {
		t.Fatal(err)
	}
	return &Exporter{Store: memory{records: records}, Registry: "north", Key: k, ClosedDir: closed, Workers: 2}
}

// stories gives the records of the clinical stories.
func stories(t testing.TB) (records []implant.Record, inputs [][]byte) {
	t.Helper()
	paths, err := filepath.Glob("../../testdata/cases/*.txtar")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	for _, p := range paths {
		a, err := txtar.ParseFile(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range a.Files {
			switch {
			case f.Name == "want/record.json":
				var list []implant.Record
				if err := json.Unmarshal(f.Data, &list); err != nil {
					t.Fatalf("%s: %v", p, err)
				}
				records = append(records, list...)
			case filepath.Dir(f.Name) == "in":
				inputs = append(inputs, f.Data)
			}
		}
	}
	return records, inputs
}

// readMonth gives the bytes of every file of a folder.
func readMonth(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range list {
		if out[f.Name()], err = os.ReadFile(filepath.Join(dir, f.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// rowsOf decodes the rows of a month.
func rowsOf(t testing.TB, dir string) (rows []registry.Row) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, RowsNDJSON))
	if err != nil {
		t.Fatal(err)
	}
	s := bufio.NewScanner(bytes.NewReader(b))
	s.Buffer(nil, maxLineBytes)
	for s.Scan() {
		row, err := decodeRow(s.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	return rows
}

// implanted is a record of one patient with parts lead components put in on a day.
func implanted(patient string, parts int, on implant.When) implant.Record {
	rec := implant.Record{Patient: "clinic|Patient/" + patient, Person: implant.Person{Birth: "1960-05-17", Sex: "female", Family: "Nobody"}}
	e := implant.Event{ID: "event-" + patient, Kind: implant.EventImplanted, At: on, System: "sys-" + patient,
		Sources: []implant.Source{{Key: "clinic|Procedure/" + patient}}}
	for i := range parts {
		id := fmt.Sprintf("part-%s-%d", patient, i)
		rec.Parts = append(rec.Parts, implant.Part{ID: id, System: "sys-" + patient, State: implant.Connected, Since: on, Implanted: on,
			Component: implant.Component{Kind: implant.Lead, Maker: "Tarnbeck Devices", Model: "TB-L45", Lot: "TBL-2401", Serial: "S" + id},
			Site:      implant.Site{Region: "lumbar-spine", Side: implant.Left, Level: "L3"}})
		e.In = append(e.In, id)
	}
	rec.Events = []implant.Event{e}
	return rec
}
