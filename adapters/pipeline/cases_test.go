package pipeline_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

var update = flag.Bool("update", false, "write the answers of this run into testdata/cases")

const casesDir = "../../testdata/cases"

// clock is a clock that tests move.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

// storyTime is the moment at which every story is told.
var storyTime = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

func scenarioFile(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("../../testdata/scenario", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func labelFile(t testing.TB) []byte { t.Helper(); return scenarioFile(t, "labelling.json") }

func knowledge(t testing.TB) pipeline.Knowledge {
	t.Helper()
	label, err := mri.ParseLabelling(labelFile(t))
	if err != nil {
		t.Fatal(err)
	}
	scanners, err := mri.ParseScanners(scenarioFile(t, "scanners.json"))
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.Knowledge{Labels: []mri.Labelling{label}, Scanners: scanners}
}

// workbench is a service on a fresh embedded store, without a broker: messages are read and committed directly.
type workbench struct {
	*pipeline.Service
	clock *clock
}

func newWorkbench(t testing.TB) workbench {
	t.Helper()
	c := &clock{storyTime}
	store, err := sqlite.Open(context.Background(), t.TempDir(), sqlite.Options{}, zaptest.NewLogger(t, zaptest.Level(zap.ErrorLevel)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	k := knowledge(t)
	svc := pipeline.New(pipeline.Service{
		Store: store, Log: zaptest.NewLogger(t, zaptest.Level(zap.ErrorLevel)), Now: c.now,
		Reader: pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: c.now, Bases: map[string]string{
			"hillside": "http://ehr.hillside.invalid/fhir", "quayside": "http://fhir.quayside.invalid/r4"}},
		Knowledge: func() pipeline.Knowledge { return k },
		Sites:     []pipeline.Site{{Name: "north", Match: []string{"North Imaging"}}, {Name: "harbour", Match: []string{"Harbour Radiology"}}},
		Fallback:  "north",
	})
	return workbench{svc, c}
}

// message makes a message of a story's file, whose name carries order and sender: in/02-hillside-implant.json.
func message(f txtar.File, at time.Time) pipeline.Message {
	sender := strings.Split(filepath.Base(f.Name), "-")[1]
	return pipeline.Message{ID: pipeline.MessageID(sender, f.Data), Sender: sender, Body: f.Data, ReceivedAt: at}
}

func (w workbench) tell(t testing.TB, ms ...pipeline.Message) {
	t.Helper()
	var rs []pipeline.Reading
	for _, m := range ms {
		rs = append(rs, w.Reader.Read(m))
	}
	if err := w.Commit(context.Background(), rs); err != nil {
		t.Fatal(err)
	}
}

func inputs(a *txtar.Archive) (in []txtar.File) {
	for _, f := range a.Files {
		if strings.HasPrefix(f.Name, "in/") {
			in = append(in, f)
		}
	}
	return in
}

// answers are what the service knows and sends after a story.
func (w workbench) answers(t testing.TB) map[string]string {
	t.Helper()
	ctx := context.Background()
	out := map[string]string{}
	var records []implant.Record
	var verdicts []pipeline.StoredVerdict
	var rejects []pipeline.Rejected
	var sent []pipeline.Outgoing
	err := w.Store.View(ctx, func(r pipeline.Reader) (err error) {
		if err = r.Records(ctx, "", func(rec implant.Record) error { records = append(records, rec); return nil }); err != nil {
			return err
		}
		if verdicts, err = r.Verdicts(ctx, "", ""); err != nil {
			return err
		}
		if rejects, err = r.Rejects(ctx, ""); err != nil {
			return err
		}
		sent, err = r.Outbox(ctx, "")
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	out["want/record.json"] = indent(t, records)
	var v, o strings.Builder
	for _, x := range verdicts {
		fmt.Fprintf(&v, "%s at %s: %s, %s, revision %d\n", x.Referral, x.Site, x.Kind, x.State, x.Revision)
	}
	for _, x := range rejects {
		fmt.Fprintf(&v, "rejected %s %s: %s\n", x.Sender, x.State, x.Outcome)
	}
	for _, x := range sent {
		fmt.Fprintf(&o, "to %s, %s\n", x.To, whatIsSent(t, x.Body))
	}
	out["want/verdicts.txt"] = v.String()
	out["want/sent.txt"] = o.String()
	return out
}

// whatIsSent gives the words a person reads of an outgoing message.
func whatIsSent(t testing.TB, body []byte) string {
	t.Helper()
	var b struct {
		ResourceType string
		Entry        []struct {
			Resource struct {
				ResourceType, Status, Detail string
			}
		}
	}
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	for _, e := range b.Entry {
		if e.Resource.ResourceType == "DetectedIssue" {
			return "banner, " + e.Resource.Status + ":\n" + e.Resource.Detail
		}
	}
	return b.ResourceType + " as received"
}

func indent(t testing.TB, v any) string {
	t.Helper()
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b) + "\n"
}

// Every story of testdata/cases: messages in, and the record, the verdicts and the words that leave. A person has
// read the expected answers; -update writes those of this run for a person to read again.
func TestStories(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(casesDir, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	for _, path := range files {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			a, err := txtar.ParseFile(path)
			if err != nil {
				t.Fatal(err)
			}
			w := newWorkbench(t)
			for _, f := range inputs(a) {
				w.tell(t, message(f, w.clock.at))
				w.clock.at = w.clock.at.Add(time.Second)
			}
			got := w.answers(t)
			if *update {
				rewrite(t, path, a, got)
				return
			}
			for name, text := range got {
				want := fileOf(a, name)
				if diff := cmp.Diff(want, text); diff != "" {
					t.Errorf("%s (-want +got):\n%s", name, diff)
				}
			}
		})
	}
}

func fileOf(a *txtar.Archive, name string) string {
	for _, f := range a.Files {
		if f.Name == name {
			return string(f.Data)
		}
	}
	return ""
}

func rewrite(t *testing.T, path string, a *txtar.Archive, got map[string]string) {
	t.Helper()
	a.Files = inputs(a)
	var names []string
	for n := range got {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		a.Files = append(a.Files, txtar.File{Name: n, Data: []byte(got[n])})
	}
	if err := os.WriteFile(path, txtar.Format(a), 0o644); err != nil {
		t.Fatal(err)
	}
}
