package v2

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"
	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
	"gaussline/testdata/scenario"
)

// lineOfWork is an inbox that reads and commits at once.
type lineOfWork struct{ svc *pipeline.Service }

func (l lineOfWork) Put(ctx context.Context, m pipeline.Message) error {
	return l.svc.Commit(ctx, []pipeline.Reading{l.svc.Reader.Read(m)})
}
func (lineOfWork) Fetch(context.Context, int, time.Duration) ([]pipeline.Delivery, error) {
	return nil, nil
}
func (lineOfWork) Backlog(context.Context) (int64, error) { return 0, nil }

// workplace is the service on a store of its own, and a listener in front of it.
type workplace struct {
	store pipeline.Store
	door  pipeline.Receiver
	send  func(name string, alter ...string)
}

func newWorkplace(t *testing.T) workplace {
	t.Helper()
	ctx := context.Background()
	now := func() time.Time { return time.Date(2026, 6, 3, 18, 0, 0, 0, time.UTC) }
	store, err := sqlite.Open(ctx, t.TempDir(), sqlite.Options{}, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	label, err := mri.ParseLabelling(scenario.Labelling)
	if err != nil {
		t.Fatal(err)
	}
	scanners, err := mri.ParseScanners(scenario.Scanners)
	if err != nil {
		t.Fatal(err)
	}
	svc := pipeline.New(pipeline.Service{Store: store, Log: zap.NewNop(), Now: now, Reader: pipeline.MessageReader{Limits: fhirjson.DefaultLimits(), Now: now,
		Bases: map[string]string{"hillside": "http://ehr.hillside.invalid/fhir"}},
		Knowledge: func() pipeline.Knowledge {
			return pipeline.Knowledge{Labels: []mri.Labelling{label}, Scanners: scanners}
		},
		Sites: []pipeline.Site{{Name: "north", Match: []string{"North Imaging"}}}})
	door := pipeline.Receiver{Inbox: lineOfWork{svc}, Limits: fhirjson.DefaultLimits(), Now: now}
	cfg := *hillside
	cfg.Sender, cfg.Receiver, cfg.Log, cfg.Now = "orders", door, zap.NewNop(), now
	ready, err := cfg.ready()
	if err != nil {
		t.Fatal(err)
	}
	s := &server{Config: ready, started: now()}
	send := func(name string, alter ...string) {
		t.Helper()
		alter = append(alter, "100200", "H-0001", "19610203", "19680402")
		raw := []byte(strings.NewReplacer(alter...).Replace(string(sample(t, name))))
		if ans := s.take(ctx, raw, false); ans.code != "AA" {
			t.Fatalf("%s: %s %s", name, ans.code, ans.body)
		}
	}
	return workplace{store, door, send}
}

// An implant that one system stated in FHIR is found by the order that another sends in HL7 v2, through the patient's
// identifier; the banner goes out with the order, and a cancelled order withdraws it. The implant is that of story 01.
func TestOrderMeetsTheRecord(t *testing.T) {
	ctx := context.Background()
	w := newWorkplace(t)
	store, door, send := w.store, w.door, w.send
	b, err := os.ReadFile("../../testdata/cases/01-primary-implant.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range txtar.Parse(b).Files[:2] {
		if _, _, err := door.Receive(ctx, "hillside", "", f.Data); err != nil {
			t.Fatal(f.Name, err)
		}
	}
	key := "orders|ServiceRequest/" + idOf(obj{"system": "http://orders.invalid/v2/plac-HILLSIDE", "value": "P-9001"})
	look := func() (v pipeline.StoredVerdict, sent []pipeline.Outgoing) {
		t.Helper()
		err := store.View(ctx, func(r pipeline.Reader) (err error) {
			if v, err = r.Verdict(ctx, key); err != nil {
				return err
			}
			sent, err = r.Outbox(ctx, "")
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return v, sent
	}
	record := func() (rec implant.Record) {
		t.Helper()
		err := store.View(ctx, func(r pipeline.Reader) (err error) { rec, err = r.Record(ctx, "hillside|Patient/p01"); return err })
		if err != nil {
			t.Fatal(err)
		}
		return rec
	}
	send("orm-new.hl7")
	v, sent := look()
	if v.State != pipeline.VerdictInForce || v.Kind == string(mri.KindNothing) || v.Site != "north" || len(sent) != 1 {
		t.Fatalf("%+v, %d sent", v, len(sent))
	}
	// The words of the referrer stand in the order and in a document of their own: they must not make two devices of one.
	if parts := record().Parts; len(parts) != 4 {
		t.Errorf("%d parts: three implanted and the one of 2019 that the referrer speaks of were to be seen", len(parts))
	}
	for _, want := range []string{"TB-G210", "P-9001", "MR lumbar spine"} {
		if !strings.Contains(string(sent[0].Body), want) {
			t.Errorf("the banner does not hold %q", want)
		}
	}
	send("orm-new.hl7") // sent again by a system that missed the answer
	send("orm-change.hl7")
	send("orm-cancel.hl7")
	send("orm-change.hl7") // late
	if v, sent = look(); v.State != pipeline.VerdictWithdrawn || len(sent) != 3 || v.Revision != 3 {
		t.Errorf("%s, revision %d, %d sent", v.State, v.Revision, len(sent))
	}
}

// What a referrer once said of a device in the body stays when later messages about the order do not repeat it, and
// when the order is cancelled: an empty field is unchanged in version 2. An order without such words adds nothing.
func TestWordsOutliveTheOrder(t *testing.T) {
	ctx := context.Background()
	kind := func(w workplace, number string) (k string) {
		t.Helper()
		err := w.store.View(ctx, func(r pipeline.Reader) error {
			v, err := r.Verdict(ctx, "orders|ServiceRequest/"+idOf(obj{"system": "http://orders.invalid/v2/plac-HILLSIDE", "value": number}))
			k = v.Kind
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	w := newWorkplace(t)
	w.send("orm-new.hl7")
	w.send("orm-change.hl7")
	w.send("orm-cancel.hl7")
	w.send("orm-change.hl7", "P-9001", "P-9002", "H-1002", "H-1009")
	if k := kind(w, "P-9002"); k == string(mri.KindNothing) {
		t.Errorf("the next order of the patient: %s", k)
	}
	for _, words := range []string{"Low back pain, two weeks", "No pacemaker, no implants"} {
		w = newWorkplace(t)
		w.send("orm-change.hl7", "NMR\r", "NMR|||||||"+words+"\r", "ORC|XO", "ORC|NW")
		if k := kind(w, "P-9001"); k != string(mri.KindNothing) {
			t.Errorf("%s: %s", words, k)
		}
	}
}
