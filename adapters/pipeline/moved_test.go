package pipeline_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// What a critical reader tried on the way from message to banner. The rules are the project's own: the newest version
// of a source decides (FHIR R4 Meta), what is unread shows, an earlier banner is not left in force.

func resourceMessage(sender, body string) pipeline.Message {
	return pipeline.Message{ID: pipeline.MessageID(sender, []byte(body)), Sender: sender, Body: []byte(body), ReceivedAt: storyTime}
}

const (
	focalIn  = "implanted"
	focalOut = "explanted"
)

func deviceJSON(id, serial string) string {
	return fmt.Sprintf(`{"resourceType":"Device","id":%q,"meta":{"versionId":"1","lastUpdated":"2024-01-05T08:00:00Z"},"manufacturer":"Tarnbeck Devices","modelNumber":"TB-G210","serialNumber":%q,"type":{"text":"implantable pulse generator"}}`, id, serial)
}

func procedureJSON(id, version, patient, device, action, on string) string {
	return fmt.Sprintf(`{"resourceType":"Procedure","id":%q,"meta":{"versionId":%q,"lastUpdated":"2026-0%s-05T08:00:00Z"},"status":"completed","subject":{"reference":%q},"performedDateTime":%q,"focalDevice":[{"action":{"coding":[{"system":"http://hl7.org/fhir/device-action","code":%q}]},"manipulated":{"reference":%q}}]}`,
		id, version, version, patient, on, action, device)
}

// orderJSON is an order of a knee MR (LOINC 24802-1 is left out on purpose: DICOM modality MR is enough).
func orderJSON(id, version, status, subject, performer string) string {
	return fmt.Sprintf(`{"resourceType":"ServiceRequest","id":%q,"meta":{"versionId":%q,"lastUpdated":"2026-0%s-05T08:00:00Z"},"status":%q,"intent":"order","code":{"coding":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"MR"}],"text":"MR knee left"},"subject":%s,"performer":[{"display":%q}]}`,
		id, version, version, status, subject, performer)
}

func patientRef(id string) string { return `{"reference":"Patient/` + id + `"}` }

func (w workbench) recordOf(t testing.TB, patient string) (rec implant.Record) {
	t.Helper()
	err := w.Store.View(context.Background(), func(r pipeline.Reader) (err error) {
		rec, err = r.Record(context.Background(), patient)
		return err
	})
	if err != nil {
		t.Fatalf("record of %s: %v", patient, err)
	}
	return rec
}

func (w workbench) verdictOf(t testing.TB, order string) (v pipeline.StoredVerdict) {
	t.Helper()
	err := w.Store.View(context.Background(), func(r pipeline.Reader) (err error) {
		v, err = r.Verdict(context.Background(), order)
		return err
	})
	if err != nil {
		t.Fatalf("verdict on %s: %v", order, err)
	}
	return v
}

func (w workbench) sentTo(t testing.TB, to string) (out []string) {
	t.Helper()
	err := w.Store.View(context.Background(), func(r pipeline.Reader) error {
		all, err := r.Outbox(context.Background(), "")
		for _, o := range all {
			if o.To == to {
				out = append(out, whatIsSent(t, o.Body))
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func states(rec implant.Record) (out []implant.State) {
	for _, p := range rec.Parts {
		out = append(out, p.State)
	}
	return out
}

func asked(rec implant.Record, code implant.QuestionCode) bool {
	return slices.ContainsFunc(rec.Questions, func(q implant.Question) bool { return q.Code == code && q.MR })
}

// inEveryOrder tells the messages in every order, each in a transaction of its own, and checks the outcome.
func inEveryOrder(t *testing.T, ms []pipeline.Message, check func(t *testing.T, w workbench)) {
	t.Helper()
	orders := 0
	var walk func(done, left []pipeline.Message, name string)
	walk = func(done, left []pipeline.Message, name string) {
		if len(left) == 0 {
			if orders++; testing.Short() && orders%4 != 1 {
				return // the race detector looks for races, not for orders
			}
			t.Run(name, func(t *testing.T) {
				w := newWorkbench(t)
				for _, m := range done {
					w.tell(t, m)
				}
				check(t, w)
			})
			return
		}
		for i := range left {
			rest := append(slices.Clone(left[:i]), left[i+1:]...)
			next := fmt.Sprint(slices.IndexFunc(ms, func(m pipeline.Message) bool { return m.ID == left[i].ID }))
			walk(append(slices.Clone(done), left[i]), rest, name+next)
		}
	}
	walk(nil, ms, "order ")
}

// An explant that was filed under the wrong patient and moved by a later version no longer takes the first patient's
// generator out, in whatever order the versions come.
func TestProcedureMovedToAnotherPatient(t *testing.T) {
	ms := []pipeline.Message{
		resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", procedureJSON("out", "1", "Patient/a", "Device/g", focalOut, "2025-01-10")),
		resourceMessage("hillside", procedureJSON("out", "2", "Patient/b", "Device/h", focalOut, "2025-01-10")),
	}
	inEveryOrder(t, ms, func(t *testing.T, w workbench) {
		if got := states(w.recordOf(t, "hillside|Patient/a")); !slices.Equal(got, []implant.State{implant.Connected}) {
			t.Errorf("the first patient has %v", got)
		}
	})
}

// Deletions and patches are not served. That one was refused shows on the record of the patient whom the resource is
// about, though it names nobody (FHIR R4 http: DELETE has no body).
func TestRefusedDeletionAndPatchShowOnTheRecord(t *testing.T) {
	for name, entry := range map[string]string{
		"delete": `{"request":{"method":"DELETE","url":"Procedure/out"}}`,
		"patch":  `{"resource":{"resourceType":"Binary","contentType":"application/json-patch+json","data":"W10="},"request":{"method":"PATCH","url":"Procedure/out"}}`,
	} {
		ms := []pipeline.Message{
			resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
			resourceMessage("hillside", procedureJSON("out", "1", "Patient/a", "Device/g", focalOut, "2025-01-10")),
			resourceMessage("hillside", `{"resourceType":"Bundle","type":"batch","entry":[`+entry+`]}`),
		}
		t.Run(name, func(t *testing.T) {
			inEveryOrder(t, ms, func(t *testing.T, w workbench) {
				if rec := w.recordOf(t, "hillside|Patient/a"); !asked(rec, implant.AskMessageUnread) {
					t.Errorf("parts %v, questions %v", states(rec), rec.Questions)
				}
			})
		})
	}
}

// An order moved to another patient is judged by that patient's record alone.
func TestOrderMovedToAnotherPatient(t *testing.T) {
	ms := []pipeline.Message{
		resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/b", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", orderJSON("o", "1", "active", patientRef("a"), "North Imaging")),
		resourceMessage("hillside", orderJSON("o", "2", "active", patientRef("b"), "North Imaging")),
	}
	inEveryOrder(t, ms, func(t *testing.T, w workbench) {
		// Something about the first patient comes last of all, and must not bring the order back.
		w.tell(t, resourceMessage("hillside", `{"resourceType":"Patient","id":"a","gender":"female"}`))
		v := w.verdictOf(t, "hillside|ServiceRequest/o")
		if v.Patient != "hillside|Patient/b" || v.Kind == "nothing-recorded" {
			t.Errorf("judged by the record of %s: %s", v.Patient, v.Kind)
		}
	})
}

// An order without a patient whose record can be found still gets a banner: nothing is established.
func TestOrderWithoutAKnownPatient(t *testing.T) {
	for name, subject := range map[string]string{"display": `{"display":"A. Person"}`, "group": `{"reference":"Group/7"}`, "location": `{"reference":"Location/7"}`} {
		t.Run(name, func(t *testing.T) {
			w := newWorkbench(t)
			w.tell(t, resourceMessage("hillside", orderJSON("o", "1", "active", subject, "North Imaging")))
			if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Kind != "not-established" {
				t.Errorf("verdict %s", v.Kind)
			}
			w.tell(t, resourceMessage("hillside", orderJSON("o", "2", "active", patientRef("a"), "North Imaging")))
			if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Patient != "hillside|Patient/a" {
				t.Errorf("once the patient is named, judged by %s", v.Patient)
			}
		})
	}
}

// A newer version of an order that cannot be read does not freeze the banner: it says that something is unread.
func TestUnreadVersionOfAnOrder(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", `{"resourceType":"Patient","id":"a","gender":"female"}`))
	w.tell(t, resourceMessage("hillside", orderJSON("o", "1", "active", patientRef("a"), "North Imaging")))
	if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Kind != "nothing-recorded" {
		t.Fatalf("verdict %s", v.Kind)
	}
	w.tell(t, resourceMessage("hillside", strings.Replace(orderJSON("o", "2", "active", patientRef("a"), "North Imaging"), `"intent":"order"`, `"intent":"no-such-intent"`, 1)))
	if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Kind != "not-established" {
		t.Errorf("after an unread version: %s", v.Kind)
	}
}

// An order that was no MR when it was last readable may be one now: it gets a banner.
func TestUnreadVersionOfAnOrderThatWasNoMR(t *testing.T) {
	ct := strings.NewReplacer(`"code":"MR"`, `"code":"CT"`, "MR knee", "CT knee")
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", `{"resourceType":"Patient","id":"a","gender":"female"}`))
	w.tell(t, resourceMessage("hillside", ct.Replace(orderJSON("o", "1", "active", patientRef("a"), "North Imaging"))))
	if got := w.sentTo(t, pipeline.SubjectBanner+"north"); len(got) > 0 {
		t.Fatalf("a CT order got %q", got)
	}
	w.tell(t, resourceMessage("hillside", strings.Replace(orderJSON("o", "2", "active", patientRef("a"), "North Imaging"), `"intent":"order"`, `"intent":"no-such-intent"`, 1)))
	if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Kind != "not-established" {
		t.Errorf("after an unread version: %s", v.Kind)
	}
	w.tell(t, resourceMessage("hillside", ct.Replace(orderJSON("o", "3", "active", patientRef("a"), "North Imaging"))))
	if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.State != pipeline.VerdictWithdrawn {
		t.Errorf("read again, and no MR: %s", v.State)
	}
}

// Of two versions of an order that nothing orders, one cancelled, the open one is owed a banner.
func TestUnorderedVersionsOfAnOrder(t *testing.T) {
	bare := func(status, note string) pipeline.Message {
		s := orderJSON("o", "1", status, patientRef("a"), "North Imaging"+note)
		return resourceMessage("hillside", strings.Replace(s, `"meta":{"versionId":"1","lastUpdated":"2026-01-05T08:00:00Z"},`, "", 1))
	}
	for i := range 8 { // the hash decides which is last; some of these put the cancelled one there
		w := newWorkbench(t)
		w.tell(t, bare("active", fmt.Sprint(" ", i)), bare("revoked", ""))
		if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.State != pipeline.VerdictInForce || v.Kind != "not-established" {
			t.Errorf("%d: %s, %s", i, v.State, v.Kind)
		}
	}
}

// An order moved to another site: the old site is told that its banner no longer holds.
func TestOrderMovedToAnotherSite(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", orderJSON("o", "1", "active", patientRef("a"), "North Imaging")))
	w.tell(t, resourceMessage("hillside", orderJSON("o", "2", "active", patientRef("a"), "Harbour Radiology")))
	north, harbour := w.sentTo(t, pipeline.SubjectBanner+"north"), w.sentTo(t, pipeline.SubjectBanner+"harbour")
	if len(north) != 2 || !strings.HasPrefix(north[1], "banner, cancelled") || len(harbour) != 1 {
		t.Errorf("north %q, harbour %q", north, harbour)
	}
}

// A refused Bundle names several patients: each of their records says that something is unread, until a person has
// closed the reject.
func TestRefusedBundleOfSeveralPatients(t *testing.T) {
	bad := `{"resourceType":"Bundle","type":"no-such-type","entry":[{"resource":` + procedureJSON("x", "1", "Patient/a", "Device/g", focalIn, "2024-01-10") +
		`},{"resource":` + procedureJSON("y", "1", "Patient/b", "Device/h", focalIn, "2024-01-10") + `}]}`
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", `{"resourceType":"Patient","id":"a"}`), resourceMessage("hillside", `{"resourceType":"Patient","id":"b"}`))
	r := w.Reader.Read(resourceMessage("hillside", bad))
	if len(r.Rejects) != 1 {
		t.Fatalf("%d rejects", len(r.Rejects))
	}
	if err := w.Commit(context.Background(), []pipeline.Reading{r}); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"hillside|Patient/a", "hillside|Patient/b"} {
		if !asked(w.recordOf(t, p), implant.AskMessageUnread) {
			t.Errorf("%s: nothing shows that a message is unread", p)
		}
	}
	if err := w.CloseReject(context.Background(), r.Rejects[0].ID, "registrar", "sent again in parts", nil); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"hillside|Patient/a", "hillside|Patient/b"} {
		if asked(w.recordOf(t, p), implant.AskMessageUnread) {
			t.Errorf("%s: still unread after the reject was closed", p)
		}
	}
}

// A refused resource that names its patient by identifier only, and a refused version of a Device that no patient is
// named in, show on the record they concern.
func TestRefusedWithoutAPatientReference(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", `{"resourceType":"Patient","id":"a","identifier":[{"system":"http://hillside.invalid/mrn","value":"H-1"}]}`),
		resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")))
	byIdentifier := strings.Replace(procedureJSON("x", "1", "P", "Device/g", "no", "2024-01-10"), `{"reference":"P"}`, `{"identifier":{"system":"http://hillside.invalid/mrn","value":"H-1"}}`, 1)
	w.tell(t, resourceMessage("hillside", strings.Replace(byIdentifier, `"completed"`, `"no-such-status"`, 1)))
	if !asked(w.recordOf(t, "hillside|Patient/a"), implant.AskMessageUnread) {
		t.Error("a refused procedure of a patient named by identifier does not show")
	}

	v := newWorkbench(t)
	v.tell(t, resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")))
	bad := strings.Replace(strings.Replace(deviceJSON("g", "G1"), `"versionId":"1"`, `"versionId":"2"`, 1), `"manufacturer"`, `"status":"no-such-status","manufacturer"`, 1)
	v.tell(t, resourceMessage("hillside", bad))
	if !asked(v.recordOf(t, "hillside|Patient/a"), implant.AskMessageUnread) {
		t.Error("a refused version of a device does not show")
	}
}

// A clinical resource that names no patient reaches no record; a person must hear of it.
func TestProcedureWithoutAPatientIsListed(t *testing.T) {
	w := newWorkbench(t)
	r := w.Reader.Read(resourceMessage("hillside", strings.Replace(procedureJSON("x", "1", "P", "Device/g", focalIn, "2024-01-10"), `{"reference":"P"}`, `{"display":"A. Person"}`, 1)))
	if len(r.Rejects) != 1 {
		t.Errorf("%d rejects: nobody hears of it", len(r.Rejects))
	}
}

// People who share a temporary number, or an old one with another birth date, are not one (the rules of identity).
func TestSharedTemporaryNumberJoinsNobody(t *testing.T) {
	for name, use := range map[string]string{"temporary": "temp", "old": "old"} {
		t.Run(name, func(t *testing.T) {
			w := newWorkbench(t)
			for i, birth := range []string{"1950-01-01", "1980-01-01"} {
				w.tell(t, resourceMessage("hillside", fmt.Sprintf(`{"resourceType":"Patient","id":"p%d","birthDate":%q,"identifier":[{"use":%q,"system":"http://hillside.invalid/t","value":"T-1"}]}`, i, birth, use)))
			}
			if rec := w.recordOf(t, "hillside|Patient/p0"); slices.Contains(rec.Aliases, "hillside|Patient/p1") {
				t.Errorf("joined: %v", rec.Aliases)
			}
		})
	}
}

// A merge that is taken back gives each patient their own parts again, and none is lost on the way.
func TestMergeAndUnmergeKeepAllParts(t *testing.T) {
	patient := func(id, version, link string) pipeline.Message {
		return resourceMessage("hillside", fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{"versionId":%q,"lastUpdated":"2026-0%s-01T00:00:00Z"}%s}`, id, version, version, link))
	}
	link := `,"link":[{"other":{"reference":"Patient/b"},"type":"replaced-by"}]`
	w := newWorkbench(t)
	w.tell(t, patient("a", "1", ""), patient("b", "1", ""),
		resourceMessage("hillside", deviceJSON("g", "G1")), resourceMessage("hillside", deviceJSON("h", "G2")),
		resourceMessage("hillside", procedureJSON("ina", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", procedureJSON("inb", "1", "Patient/b", "Device/h", focalIn, "2024-01-10")),
		resourceMessage("hillside", orderJSON("o", "1", "active", patientRef("b"), "North Imaging")))
	w.tell(t, patient("a", "2", link))
	if n := len(w.recordOf(t, "hillside|Patient/b").Parts); n != 2 {
		t.Errorf("merged: %d parts", n)
	}
	w.tell(t, patient("a", "3", ""))
	for _, p := range []string{"hillside|Patient/a", "hillside|Patient/b"} {
		if rec := w.recordOf(t, p); len(rec.Parts) != 1 || len(rec.Aliases) != 1 {
			t.Errorf("parted: %s has %d parts, aliases %v", p, len(rec.Parts), rec.Aliases)
		}
	}
	if v := w.verdictOf(t, "hillside|ServiceRequest/o"); v.Revision != 3 {
		t.Errorf("%d banners for the order, want one at first, one merged, one parted", v.Revision)
	}
}

// A procedure of one patient that points at a source of another: what the other says is kept, and asked about.
func TestSourceOfAnotherPatient(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", strings.Replace(deviceJSON("g", "G1"), `"manufacturer"`, `"status":"active","patient":{"reference":"Patient/a"},"manufacturer"`, 1)),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/b", "Device/g", focalIn, "2024-01-10")))
	for _, p := range []string{"hillside|Patient/a", "hillside|Patient/b"} {
		if len(w.recordOf(t, p).Parts) != 1 {
			t.Errorf("%s: the device is missing", p)
		}
	}
	if !asked(w.recordOf(t, "hillside|Patient/b"), implant.AskSourcesMerged) {
		t.Error("nobody asks whose device it is")
	}
}

// A message whose marks cannot be kept either (a patient key over the limit of the store) is rejected all the same.
func TestRejectThatCannotBeMarkedIsKept(t *testing.T) {
	w := newWorkbench(t)
	in := newFakeInbox(resourceMessage("hillside", procedureJSON("in", "1", "Patient/"+strings.Repeat("x", 60)+"?"+strings.Repeat("y", 2000), "Device/g", focalIn, "2024-01-10")))
	w.Inbox = in
	if err := w.Drain(context.Background(), func(int) {}); err != nil {
		t.Fatal(err)
	}
	if in.left() != 0 {
		t.Fatal("the message is handed out for ever")
	}
	n := 0
	_ = w.Store.View(context.Background(), func(r pipeline.Reader) error {
		rs, err := r.Rejects(context.Background(), pipeline.RejectOpen)
		n = len(rs)
		return err
	})
	if n != 1 {
		t.Errorf("%d rejects", n)
	}
}

// fakeInbox hands one message out until it is settled.
type fakeInbox struct {
	m     pipeline.Message
	tries int
	done  bool
}

func newFakeInbox(m pipeline.Message) *fakeInbox { return &fakeInbox{m: m} }

func (f *fakeInbox) left() int {
	if f.done {
		return 0
	}
	return 1
}

func (f *fakeInbox) Put(context.Context, pipeline.Message) error { return nil }

func (f *fakeInbox) Fetch(context.Context, int, time.Duration) ([]pipeline.Delivery, error) {
	if f.done || f.tries > 20 {
		return nil, nil
	}
	f.tries++
	return []pipeline.Delivery{fakeDelivery{f}}, nil
}

func (f *fakeInbox) Backlog(context.Context) (int64, error) { return 0, nil }

type fakeDelivery struct{ in *fakeInbox }

func (d fakeDelivery) Message() pipeline.Message                  { return d.in.m }
func (d fakeDelivery) Attempt() int                               { return d.in.tries }
func (d fakeDelivery) Traceparent() string                        { return "" }
func (d fakeDelivery) Ack(context.Context) error                  { d.in.done = true; return nil }
func (d fakeDelivery) Retry(context.Context, time.Duration) error { return nil }
func (d fakeDelivery) Working(context.Context) error              { return nil }

// A Device may come long after the procedure that names it, and the Device it is part of (Device.parent) after that,
// with a patient or without: the record and the banner in force are the same.
func TestDevicesThatComeLate(t *testing.T) {
	device := func(id, more string) pipeline.Message {
		return resourceMessage("hillside", fmt.Sprintf(`{"resourceType":"Device","id":%q,"meta":{"versionId":"1"},"type":{"text":"lead"},"modelNumber":"TB-L45"%s}`, id, more))
	}
	for name, patient := range map[string]string{"with a patient": `,"patient":{"reference":"Patient/a"}`, "without": ""} {
		t.Run(name, func(t *testing.T) {
			ms := []pipeline.Message{
				resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/lead", focalIn, "2024-01-10")),
				device("lead", `,"serialNumber":"L1","parent":{"reference":"Device/system"}`+patient),
				device("system", `,"serialNumber":"SYS1","manufacturer":"Tarnbeck Devices"`),
				resourceMessage("hillside", orderJSON("o", "1", "active", patientRef("a"), "North Imaging")),
			}
			straight := newWorkbench(t)
			straight.tell(t, ms...)
			want := straight.inForce(t)
			if !strings.Contains(want, `"statements": 4`) {
				t.Fatalf("the parent does not count: %s", want)
			}
			inEveryOrder(t, ms, func(t *testing.T, w workbench) {
				if diff := cmp.Diff(want, w.inForce(t)); diff != "" {
					t.Errorf("another order gives another state:\n%s", diff)
				}
			})
		})
	}
}
