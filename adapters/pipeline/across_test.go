package pipeline_test

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/history"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// What one source says of a device that is on the record of another patient: a wrong chart, an unmerged duplicate of one
// person, a device used twice. The rules are the project's own: nothing is believed, both records ask.

func deviceOf(id, serial, patient string) pipeline.Message {
	return resourceMessage("hillside", strings.Replace(deviceJSON(id, serial), `"manufacturer"`, `"patient":{"reference":"Patient/`+patient+`"},"manufacturer"`, 1))
}

// elsewhere gives the question of a record about a device that is on another's.
func elsewhere(rec implant.Record) (qs []implant.Question) {
	for _, q := range rec.Questions {
		if q.Code == implant.AskDeviceElsewhere {
			qs = append(qs, q)
		}
	}
	return qs
}

// asksElsewhere wants one question that names a source of the other patient and matters to the verdict, and nothing else.
func asksElsewhere(t *testing.T, rec implant.Record, source, detail string) {
	t.Helper()
	qs := elsewhere(rec)
	if len(qs) != 1 || !qs[0].MR || len(qs[0].Parts) != 1 {
		t.Fatalf("%s: %d questions about a device elsewhere: %+v", rec.Patient, len(qs), qs)
	}
	if !slices.ContainsFunc(qs[0].Sources, func(s implant.Source) bool { return s.Key == source }) || !strings.Contains(qs[0].Detail, detail) {
		t.Errorf("%s: the question does not say what was said: %+v", rec.Patient, qs[0])
	}
}

func (w workbench) kindOf(t testing.TB, order string) mri.Kind {
	return mri.Kind(w.verdictOf(t, order).Kind)
}

func ordersOf(patients ...string) (ms []pipeline.Message) {
	for _, p := range patients {
		ms = append(ms, resourceMessage("hillside", orderJSON("o"+p, "1", "active", patientRef(p), "North Imaging")))
	}
	return ms
}

// An explant filed under the wrong patient is said of the device of another: that record asks, its part stays where it
// was, and neither verdict is settled, in whatever order the messages come. The Device may name its patient or not.
func TestExplantFiledUnderAnotherPatient(t *testing.T) {
	for name, device := range map[string]pipeline.Message{
		"a device that names its patient": deviceOf("g", "G1", "a"),
		"a device that names nobody":      resourceMessage("hillside", deviceJSON("g", "G1"))} {
		t.Run(name, func(t *testing.T) {
			ms := append([]pipeline.Message{device,
				resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
				resourceMessage("hillside", procedureJSON("out", "1", "Patient/b", "Device/g", focalOut, "2025-01-10"))},
				ordersOf("a", "b")...)
			inEveryOrder(t, ms, func(t *testing.T, w workbench) {
				a, b := w.recordOf(t, "hillside|Patient/a"), w.recordOf(t, "hillside|Patient/b")
				if got := states(a); !slices.Equal(got, []implant.State{implant.Connected}) {
					t.Errorf("states of a: %v", got)
				}
				asksElsewhere(t, a, "hillside|Procedure/out", "removed-whole")
				asksElsewhere(t, b, "hillside|Procedure/in", "connected")
				for _, o := range []string{"hillside|ServiceRequest/oa", "hillside|ServiceRequest/ob"} {
					if k := w.kindOf(t, o); k != mri.KindNotEstablished && k != mri.KindOutside {
						t.Errorf("verdict on %s: %s", o, k)
					}
				}
			})
		})
	}
}

// Two Devices with one model and serial number, from two senders that know the person under different numbers. A lot
// number is shared by many and says nothing.
func TestOneSerialNumberOnTwoRecords(t *testing.T) {
	at := func(sender, body string) pipeline.Message { return resourceMessage(sender, body) }
	ms := []pipeline.Message{
		at("hillside", deviceJSON("g", "EL-0042")),
		at("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		at("quayside", deviceJSON("x", "el 0042")),
		at("quayside", procedureJSON("in", "1", "Patient/b", "Device/x", focalIn, "2024-01-10")),
	}
	inEveryOrder(t, ms, func(t *testing.T, w workbench) {
		asksElsewhere(t, w.recordOf(t, "hillside|Patient/a"), "quayside|Procedure/in", "connected")
		asksElsewhere(t, w.recordOf(t, "quayside|Patient/b"), "hillside|Procedure/in", "connected")
	})
	for name, change := range map[string][2]string{
		"another serial number": {"el 0042", "EL43"}, "another model": {"TB-G210", "TB-G220"},
		"only the lot number": {`"serialNumber":"el 0042"`, `"lotNumber":"EL-0042"`}} {
		w := newWorkbench(t)
		ms := slices.Clone(ms)
		ms[2] = at("quayside", strings.Replace(string(ms[2].Body), change[0], change[1], 1))
		w.tell(t, ms...)
		if qs := elsewhere(w.recordOf(t, "hillside|Patient/a")); len(qs) > 0 {
			t.Errorf("%s: asked all the same: %+v", name, qs)
		}
	}
}

// A generator taken out of one patient and put into another later: a wrong chart, or a single-use device used twice.
func TestDeviceTakenOutAndPutIntoAnother(t *testing.T) {
	ms := []pipeline.Message{
		resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", procedureJSON("out", "1", "Patient/a", "Device/g", focalOut, "2025-01-10")),
		resourceMessage("hillside", procedureJSON("again", "1", "Patient/b", "Device/g", focalIn, "2025-02-10")),
	}
	inEveryOrder(t, ms, func(t *testing.T, w workbench) {
		asksElsewhere(t, w.recordOf(t, "hillside|Patient/a"), "hillside|Procedure/again", "connected, implanted 2025-02-10, says hillside|Procedure/again")
		asksElsewhere(t, w.recordOf(t, "hillside|Patient/b"), "hillside|Procedure/out", "removed-whole, implanted 2024-01-10, removed 2025-01-10")
	})
}

// What resolves it takes the questions away from both records, in whatever order the messages come: the sender names the
// right patient, or takes the source back, or the two patients turn out to be one.
func TestWhatResolvesADeviceElsewhere(t *testing.T) {
	link := `{"resourceType":"Patient","id":"b","meta":{"versionId":"2","lastUpdated":"2026-02-01T00:00:00Z"},"link":[{"other":{"reference":"Patient/a"},"type":"replaced-by"}]}`
	wrong := procedureJSON("out", "2", "Patient/b", "Device/g", focalOut, "2025-01-10")
	for name, c := range map[string]struct {
		message string
		states  []implant.State
	}{
		"the right patient": {procedureJSON("out", "2", "Patient/a", "Device/g", focalOut, "2025-01-10"), []implant.State{implant.RemovedWhole}},
		"entered in error":  {strings.Replace(wrong, `"completed"`, `"entered-in-error"`, 1), []implant.State{implant.Connected}},
		"one person":        {link, []implant.State{implant.RemovedWhole}},
	} {
		t.Run(name, func(t *testing.T) {
			ms := append([]pipeline.Message{
				resourceMessage("hillside", deviceJSON("g", "G1")),
				resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
				resourceMessage("hillside", procedureJSON("out", "1", "Patient/b", "Device/g", focalOut, "2025-01-10")),
				resourceMessage("hillside", c.message)}, ordersOf("a")...)
			inEveryOrder(t, ms, func(t *testing.T, w workbench) {
				a := w.recordOf(t, "hillside|Patient/a")
				if qs := elsewhere(a); len(qs) > 0 || !slices.Equal(states(a), c.states) {
					t.Errorf("questions %+v, states %v", qs, states(a))
				}
			})
		})
	}
}

// The banner in force says so when the explant comes, and is superseded again when it is taken back. What was said on the
// wrong chart stands in the banner by its source and state, not by the name or number of the other patient.
func TestBannersOfADeviceElsewhere(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, append([]pipeline.Message{deviceOf("g", "G1", "a"),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10"))}, ordersOf("a")...)...)
	before := w.verdictOf(t, "hillside|ServiceRequest/oa")
	w.tell(t, resourceMessage("hillside", procedureJSON("out", "1", "Patient/other-chart", "Device/g", focalOut, "2025-01-10")))
	during := w.verdictOf(t, "hillside|ServiceRequest/oa")
	sent := w.sentTo(t, pipeline.SubjectBanner+"north")
	last := sent[len(sent)-1]
	if during.Revision != before.Revision+1 || !strings.Contains(last, "another patient") || !strings.Contains(last, "removed-whole") {
		t.Errorf("revision %d, banner:\n%s", during.Revision, last)
	}
	if strings.Contains(last, "other-chart") {
		t.Errorf("the banner names the other patient:\n%s", last)
	}
	w.tell(t, resourceMessage("hillside", strings.Replace(procedureJSON("out", "2", "Patient/other-chart", "Device/g", focalOut, "2025-01-10"), `"completed"`, `"entered-in-error"`, 1)))
	if after := w.verdictOf(t, "hillside|ServiceRequest/oa"); after.Revision != during.Revision+1 || after.Digest != before.Digest {
		t.Errorf("revision %d after the explant was taken back; the same digest: %v", after.Revision, after.Digest == before.Digest)
	}
}

// A Device of its own, from another sender, whose status says that it is no longer in use: the serial number tells.
func TestDeviceStatusUnderAnotherPatient(t *testing.T) {
	inactive := strings.Replace(deviceJSON("x", "G1"), `"manufacturer"`, `"status":"inactive","patient":{"reference":"Patient/b"},"manufacturer"`, 1)
	ms := append([]pipeline.Message{resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("quayside", inactive)}, ordersOf("a")...)
	inEveryOrder(t, ms, func(t *testing.T, w workbench) {
		a := w.recordOf(t, "hillside|Patient/a")
		asksElsewhere(t, a, "quayside|Device/x", "reported-removed")
		if got := states(a); !slices.Equal(got, []implant.State{implant.Connected}) {
			t.Errorf("states of a: %v", got)
		}
	})
}

// A person's answer closes the question on that record, pulls nothing of the other patient into it, and stands through
// copies; when the other source says something else it is asked again.
func TestAnsweringADeviceElsewhere(t *testing.T) {
	w := newWorkbench(t)
	w.tell(t, resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", procedureJSON("out", "1", "Patient/b", "Device/g", focalOut, "2025-01-10")))
	q := elsewhere(w.recordOf(t, "hillside|Patient/a"))[0]
	err := w.AnswerQuestion(context.Background(), pipeline.Review{Patient: "hillside|Patient/a", Question: q.ID, Kind: pipeline.ReviewAccept,
		By: "Reviewer", Reason: "seen on the X-ray of today"})
	if err != nil {
		t.Fatal(err)
	}
	a, b := w.recordOf(t, "hillside|Patient/a"), w.recordOf(t, "hillside|Patient/b")
	if qs := elsewhere(a); len(qs) > 0 || !slices.Equal(states(a), []implant.State{implant.Connected}) || len(a.Parts[0].Evidence) != 2 {
		t.Errorf("after the answer: questions %+v, parts %+v", qs, a.Parts)
	}
	if len(elsewhere(b)) != 1 {
		t.Error("an answer on one record closed the question on the other")
	}
	w.tell(t, resourceMessage("hillside", procedureJSON("out", "2", "Patient/b", "Device/g", focalOut, "2025-03-10")))
	if qs := elsewhere(w.recordOf(t, "hillside|Patient/a")); len(qs) != 1 || qs[0].ID == q.ID {
		t.Errorf("the other source changed: %+v", qs)
	}
}

// A placeholder is no serial number. Words: common practice, no source.
func TestPlaceholderIsNoDeviceElsewhere(t *testing.T) {
	for _, serial := range []string{"0000", "unknown", "N/A", "n.a.", "none", "-", "99999", "XXXX", "not recorded", "see label"} {
		w := newWorkbench(t)
		for _, p := range []string{"a", "b"} {
			w.tell(t, resourceMessage("hillside", deviceJSON("g"+p, serial)),
				resourceMessage("hillside", procedureJSON("in"+p, "1", "Patient/"+p, "Device/g"+p, focalIn, "2024-01-10")))
		}
		if qs := elsewhere(w.recordOf(t, "hillside|Patient/a")); len(qs) > 0 {
			t.Errorf("%q: %+v", serial, qs)
		}
	}
}

// Of a key that more records share than can be compared each record says so, and lists nobody; that does not depend on
// the order or the batches in which they came, and below the limit all are compared again.
func TestDeviceOnVeryManyRecords(t *testing.T) {
	var ms []pipeline.Message
	for i := range history.MaxHolders + 3 {
		ms = append(ms, resourceMessage("hillside", procedureJSON(fmt.Sprint("in", i), "1", fmt.Sprint("Patient/p", i), "Device/g", focalIn, "2024-01-10")))
	}
	ms = append(ms, resourceMessage("hillside", deviceJSON("g", "G1")))
	var want string
	for seed := range uint64(4) {
		r := rand.New(rand.NewPCG(seed, 3))
		r.Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
		w := newWorkbench(t)
		for rest := ms; len(rest) > 0; {
			n := min(len(rest), 1+r.IntN(7))
			w.tell(t, rest[:n]...)
			rest = rest[n:]
		}
		qs := elsewhere(w.recordOf(t, "hillside|Patient/p0"))
		if len(qs) != 1 || !qs[0].MR || !strings.Contains(qs[0].Detail, fmt.Sprint("more than ", history.MaxHolders)) {
			t.Fatalf("seed %d: %+v", seed, qs)
		}
		if want == "" {
			want = w.inForce(t)
		}
		if diff := cmp.Diff(want, w.inForce(t)); diff != "" {
			t.Fatalf("seed %d: another order gives another state:\n%s", seed, diff)
		}
		for i := range 3 {
			w.tell(t, resourceMessage("hillside", strings.Replace(procedureJSON(fmt.Sprint("in", i), "2", fmt.Sprint("Patient/p", i), "Device/g", focalIn, "2024-01-10"), `"completed"`, `"entered-in-error"`, 1)))
		}
		qs = elsewhere(w.recordOf(t, "hillside|Patient/p7"))
		if len(qs) != 1 || strings.Contains(qs[0].Detail, "more than") {
			t.Fatalf("seed %d: below the limit: %+v", seed, qs)
		}
	}
}

// acrossMessages draws a small region: three patients, of whom two may turn out to be one, devices of which some have one
// serial number, and procedures that change patient, device and status from version to version. All of it is invented.
func acrossMessages(r *rand.Rand) (ms []pipeline.Message) {
	one := func(list ...string) string { return list[r.IntN(len(list))] }
	add := func(body string) { ms = append(ms, resourceMessage(one("hillside", "hillside", "quayside"), body)) }
	for i := range 4 {
		body := deviceJSON(fmt.Sprint("d", i), one("S-1", "s1", "S2", "0000"))
		if r.IntN(3) == 0 {
			body = strings.Replace(body, `"manufacturer"`, `"patient":{"reference":"Patient/`+one("a", "b", "c")+`"},"manufacturer"`, 1)
		}
		add(body)
	}
	for i := range 4 {
		for v := range 1 + r.IntN(3) {
			body := procedureJSON(fmt.Sprint("x", i), fmt.Sprint(v+1), "Patient/"+one("a", "b", "c"), "Device/"+one("d0", "d1", "d2", "d3"),
				one(focalIn, focalIn, focalOut), one("2024-01-10", "2025-01-10", "2025-03-10"))
			add(strings.Replace(body, `"completed"`, one(`"completed"`, `"completed"`, `"entered-in-error"`), 1))
		}
	}
	for v := range r.IntN(3) {
		link := one("", `,"link":[{"other":{"reference":"Patient/a"},"type":"replaced-by"}]`)
		add(fmt.Sprintf(`{"resourceType":"Patient","id":"b","meta":{"versionId":"%d","lastUpdated":"2026-0%d-01T00:00:00Z"}%s}`, v+1, v+1, link))
	}
	return append(ms, ordersOf("a", "b", "c")...)
}

// Any order, in batches of any size and with copies, gives the same records and the same banners in force, also where
// records of several people have devices in common and come to have them or cease to.
func TestOrderChangesNothingAcrossPatients(t *testing.T) {
	rounds, questions := uint64(40), 0
	if testing.Short() {
		rounds = 8
	}
	for seed := range rounds {
		r := rand.New(rand.NewPCG(seed, 11))
		ms := acrossMessages(r)
		straight := newWorkbench(t)
		straight.tell(t, ms...)
		want := straight.inForce(t)
		questions += strings.Count(want, string(implant.AskDeviceElsewhere))
		for range 3 {
			mixed := append(slices.Clone(ms), ms[:3]...)
			r.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
			w := newWorkbench(t)
			for len(mixed) > 0 {
				n := min(len(mixed), 1+r.IntN(4))
				w.tell(t, mixed[:n]...)
				mixed = mixed[n:]
			}
			if diff := cmp.Diff(want, w.inForce(t)); diff != "" {
				t.Fatalf("seed %d: another order gives another state (-straight +mixed):\n%s", seed, diff)
			}
		}
	}
	if questions < int(rounds) {
		t.Errorf("only %d questions in %d rounds: this tries nothing", questions, rounds)
	}
}

// What an older program wrote has no device keys, so that nobody finds it by its devices: after an upgrade, and while
// nodes of both versions write. Relist finds those records, and afterwards everything is as if it had never been.
func TestRelistAfterAnOlderProgram(t *testing.T) {
	ms := append([]pipeline.Message{resourceMessage("hillside", deviceJSON("g", "G1")),
		resourceMessage("hillside", procedureJSON("in", "1", "Patient/a", "Device/g", focalIn, "2024-01-10")),
		resourceMessage("hillside", procedureJSON("out", "1", "Patient/b", "Device/g", focalOut, "2025-01-10"))}, ordersOf("a", "b")...)
	straight := newWorkbench(t)
	straight.tell(t, ms...)
	dir := t.TempDir()
	w := on(t, embedded(t, dir))
	older := func(q string) {
		t.Helper()
		db, err := sql.Open("sqlite", filepath.Join(dir, sqlite.FileName))
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	w.tell(t, ms[0], ms[1], ms[3])
	older(`delete from record_devices; update records set devices = '', devices_of = '-'`) // as the migration leaves it
	w.tell(t, ms[2], ms[4])
	if len(elsewhere(w.recordOf(t, "hillside|Patient/a"))) > 0 {
		t.Fatal("the record has its keys: this tries nothing")
	}
	if n, err := w.Relist(t.Context()); err != nil || n != 1 {
		t.Errorf("listed anew: %d, %v", n, err)
	}
	if diff := cmp.Diff(straight.inForce(t), w.inForce(t)); diff != "" {
		t.Errorf("not as if it had been new all along (-new +listed anew):\n%s", diff)
	}
	// An older node that writes a record leaves the seal that its device keys are of behind.
	older(`update records set body = cast(replace(body, '"statements":3', '"statements":2') as blob), seal = 'older' where patient = 'hillside|Patient/a'`)
	if n, err := w.Relist(t.Context()); err != nil || n != 1 {
		t.Errorf("after an older node wrote: %d, %v", n, err)
	}
	if n, err := w.Relist(t.Context()); err != nil || n != 0 {
		t.Errorf("a second time: %d, %v", n, err)
	}
	if diff := cmp.Diff(straight.inForce(t), w.inForce(t)); diff != "" {
		t.Errorf("after an older node wrote (-new +listed anew):\n%s", diff)
	}
	if found, err := w.Store.Check(t.Context()); err != nil || len(found) > 0 {
		t.Errorf("check: %v %v", found, err)
	}
}
