package history

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"gaussline/mapping/implant"
)

// The expected states follow conventions on partial explants: common practice, no source. The version rules are those
// of HL7 FHIR R4 Meta (versionId, lastUpdated).

const pat = "ehr|Patient/1"

func day(n int) implant.When {
	return implant.Day(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n))
}

// st makes a statement of the newest kind: version n, last updated n days into 2026.
func st(key string, n int, facts ...implant.Fact) implant.Statement {
	for i := range facts {
		facts[i].Source.Key = key
		if facts[i].Source.Path == "" {
			facts[i].Source.Path = fmt.Sprintf("Procedure.focalDevice[%d]", i)
		}
		if facts[i].Basis == "" {
			facts[i].Basis = implant.Coded
		}
	}
	return implant.Statement{Key: key, Type: "Procedure", Patient: pat, Facts: facts, Version: implant.Version{
		ID: fmt.Sprint(n), LastUpdated: time.Date(2026, 1, 1+n, 0, 0, 0, 0, time.UTC), Hash: fmt.Sprintf("%s-%d", key, n)}}
}

func act(kind implant.FactKind, ref string, at implant.When) implant.Fact {
	f := implant.Fact{Kind: kind, Component: implant.Component{Ref: ref}, At: at}
	if kind == implant.Removed {
		f.Value = "whole"
	}
	return f
}

func device(ref string, kind implant.Kind, model, serial string) implant.Statement {
	s := st(ref, 1, implant.Fact{Kind: implant.Described, Source: implant.Source{Path: "Device"},
		Component: implant.Component{Ref: ref, Kind: kind, Model: model, Serial: serial}})
	s.Type = "Device"
	return s
}

func foldAll(ss ...implant.Statement) implant.Record {
	return Fold(Input{Patients: []string{pat}, Statements: ss})
}

func stateOfRef(t *testing.T, r implant.Record, ref string) implant.State {
	t.Helper()
	for _, p := range r.Parts {
		if slices.Contains(p.Refs, ref) {
			return p.State
		}
	}
	t.Fatalf("no part for %s in %s", ref, dump(r))
	return ""
}

func dump(r implant.Record) string { b, _ := json.MarshalIndent(r, "", " "); return string(b) }

func kinds(r implant.Record) (ks []string) {
	for _, e := range r.Events {
		ks = append(ks, string(e.Kind))
	}
	return ks
}

func asks(r implant.Record, code implant.QuestionCode) bool {
	return slices.ContainsFunc(r.Questions, func(q implant.Question) bool { return q.Code == code })
}

var (
	gen   = device("d/gen", implant.Generator, "TB-G210", "G1")
	gen2  = device("d/gen2", implant.Generator, "TB-G300", "G2")
	lead1 = device("d/l1", implant.Lead, "TB-L45", "L1")
	lead2 = device("d/l2", implant.Lead, "TB-L45", "L2")
	first = st("p/implant", 1, act(implant.Implanted, "d/gen", day(10)), act(implant.Implanted, "d/l1", day(10)),
		act(implant.Implanted, "d/l2", day(10)))
)

func TestStories(t *testing.T) {
	base := []implant.Statement{gen, lead1, lead2, first}
	tests := []struct {
		name   string
		add    []implant.Statement
		want   map[string]implant.State
		events []string
		asks   []implant.QuestionCode
	}{
		{"primary implant", nil, map[string]implant.State{"d/gen": implant.Connected, "d/l1": implant.Connected},
			[]string{"implanted"}, nil},
		{"generator replaced", []implant.Statement{gen2, st("p/swap", 1, act(implant.Removed, "d/gen", day(50)), act(implant.Implanted, "d/gen2", day(50)))},
			map[string]implant.State{"d/gen": implant.RemovedWhole, "d/gen2": implant.Connected, "d/l1": implant.Connected},
			[]string{"implanted", "replaced"}, nil},
		{"generator out, leads capped", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/gen", day(50)),
			act(implant.WasCapped, "d/l1", day(50)), act(implant.WasCapped, "d/l2", day(50)))},
			map[string]implant.State{"d/gen": implant.RemovedWhole, "d/l1": implant.Capped, "d/l2": implant.Capped},
			[]string{"implanted", "partly-explanted"}, nil},
		{"generator out, nothing said of the leads", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/gen", day(50)))},
			map[string]implant.State{"d/gen": implant.RemovedWhole, "d/l1": implant.NotConnected, "d/l2": implant.NotConnected},
			[]string{"implanted", "partly-explanted"}, nil},
		{"complete explant", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/gen", day(50)), act(implant.Removed, "d/l1", day(50)), act(implant.Removed, "d/l2", day(50)))},
			map[string]implant.State{"d/gen": implant.RemovedWhole, "d/l1": implant.RemovedWhole, "d/l2": implant.RemovedWhole},
			[]string{"implanted", "explanted"}, nil},
		{"removal without saying whole", []implant.Statement{st("p/out", 1, implant.Fact{Kind: implant.Removed, Component: implant.Component{Ref: "d/l1"}, At: day(50)})},
			map[string]implant.State{"d/l1": implant.ReportedRemoved}, []string{"implanted", "partly-explanted"},
			[]implant.QuestionCode{implant.AskRemovalDoubtful}},
		{"replacement on one device", []implant.Statement{st("p/x", 1, act(implant.Exchanged, "d/gen", day(50)))},
			map[string]implant.State{"d/gen": implant.StateUnknown}, []string{"implanted"}, []implant.QuestionCode{implant.AskActionAmbiguous}},
		{"removed before it was put in", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/l1", day(2)))},
			map[string]implant.State{"d/l1": implant.Connected}, []string{"reported-removed", "implanted"}, []implant.QuestionCode{implant.AskOrderUnknown}},
		{"removed before, and put in again", []implant.Statement{device("d/x", implant.Lead, "TB-L60", "9"), st("p/0", 1, act(implant.Implanted, "d/x", day(2))),
			st("p/out", 1, act(implant.Removed, "d/x", day(5))), st("p/again", 1, act(implant.Implanted, "d/x", day(10)))},
			map[string]implant.State{"d/x": implant.Connected}, nil, nil},
		{"same day, in and out, order unknown", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/l1", day(10)))},
			map[string]implant.State{"d/l1": implant.ReportedRemoved}, nil, []implant.QuestionCode{implant.AskOrderUnknown}},
		{"device still called active after the explant", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/l1", day(50))),
			st("s/use", 90, implant.Fact{Kind: implant.PresentByWord, Component: implant.Component{Ref: "d/l1"}})},
			map[string]implant.State{"d/l1": implant.ReportedRemoved}, nil, []implant.QuestionCode{implant.AskStatesConflict}},
		{"called active before the explant", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/l1", day(50))),
			st("s/use", 20, implant.Fact{Kind: implant.PresentByWord, Component: implant.Component{Ref: "d/l1"}})},
			map[string]implant.State{"d/l1": implant.RemovedWhole}, nil, nil},
		{"status field says inactive, no procedure", []implant.Statement{st("s/dev", 80, implant.Fact{Kind: implant.ReportedGone, Component: implant.Component{Ref: "d/gen"}})},
			map[string]implant.State{"d/gen": implant.ReportedRemoved, "d/l1": implant.StateUnknown}, nil, []implant.QuestionCode{implant.AskRemovalDoubtful}},
		{"status field says inactive beside the procedure", []implant.Statement{st("p/out", 1, act(implant.Removed, "d/l1", day(50))),
			st("s/dev", 80, implant.Fact{Kind: implant.ReportedGone, Component: implant.Component{Ref: "d/l1"}}, implant.Fact{Kind: implant.ReportedGone, Component: implant.Component{Ref: "d/l2"}})},
			map[string]implant.State{"d/l1": implant.RemovedWhole, "d/l2": implant.ReportedRemoved}, []string{"reported-removed", "implanted", "partly-explanted"},
			[]implant.QuestionCode{implant.AskRemovalDoubtful}},
		{"a device never described", []implant.Statement{st("p/add", 1, act(implant.Implanted, "d/ghost", day(60)))},
			map[string]implant.State{"d/ghost": implant.Connected}, nil, []implant.QuestionCode{implant.AskDeviceMissing, implant.AskIdentityUnknown}},
		{"focal device without an action", []implant.Statement{device("d/x", implant.Lead, "TB-L60", "9"), st("p/x", 1, act(implant.Mentioned, "d/x", day(60)))},
			map[string]implant.State{"d/x": implant.StateUnknown}, nil, []implant.QuestionCode{implant.AskActionMissing}},
		{"lead disabled by status", []implant.Statement{st("s/f", 70, implant.Fact{Kind: implant.Function, Value: "disabled", Component: implant.Component{Ref: "d/l2"}})},
			map[string]implant.State{"d/l2": implant.NotConnected, "d/l1": implant.Connected}, nil, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := foldAll(append(slices.Clone(base), tt.add...)...)
			for ref, want := range tt.want {
				if got := stateOfRef(t, r, ref); got != want {
					t.Errorf("%s is %q, want %q", ref, got, want)
				}
			}
			if tt.events != nil && !slices.Equal(kinds(r), tt.events) {
				t.Errorf("events %v, want %v", kinds(r), tt.events)
			}
			for _, code := range tt.asks {
				if !asks(r, code) {
					t.Errorf("nobody asks %s: %s", code, dump(r))
				}
			}
			if tt.asks == nil && len(r.Questions) > 0 {
				t.Errorf("unexpected questions: %s", dump(implant.Record{Questions: r.Questions}))
			}
		})
	}
}

func prose(kind implant.FactKind, part implant.Kind, count int, at implant.When) implant.Fact {
	return implant.Fact{Kind: kind, Basis: implant.Read, At: at, Component: implant.Component{Kind: part, Count: count},
		Source: implant.Source{Path: "Procedure.note[0].text", Quote: string(kind)}}
}

func TestProse(t *testing.T) {
	note := func(facts ...implant.Fact) implant.Statement { return st("n/1", 5, facts...) }
	t.Run("repeats what is coded", func(t *testing.T) {
		r := foldAll(gen, lead1, lead2, first, note(prose(implant.Implanted, implant.Lead, 2, day(10))))
		if len(r.Parts) != 3 || len(r.Questions) != 0 {
			t.Errorf("want the 3 coded parts and no question: %s", dump(r))
		}
	})
	t.Run("says more than is coded", func(t *testing.T) {
		r := foldAll(gen, lead1, lead2, first, note(prose(implant.Implanted, implant.Lead, 3, day(10))))
		if len(r.Parts) != 4 || !asks(r, implant.AskCountConflict) {
			t.Errorf("want a fourth part and a count question: %s", dump(r))
		}
	})
	t.Run("alone makes parts", func(t *testing.T) {
		f := prose(implant.Implanted, implant.Lead, 0, day(10))
		f.Site.Side = implant.Bilateral
		r := foldAll(note(f, prose(implant.Implanted, implant.Generator, 1, day(10))))
		if len(r.Parts) != 3 {
			t.Errorf("want two leads and a generator: %s", dump(r))
		}
	})
	t.Run("removal of one of two is not guessed", func(t *testing.T) {
		f := prose(implant.Removed, implant.Lead, 1, day(50))
		f.Value = "whole"
		r := foldAll(gen, lead1, lead2, first, note(f))
		for _, ref := range []string{"d/l1", "d/l2"} {
			if got := stateOfRef(t, r, ref); !got.InBody() {
				t.Errorf("%s is %q after a removal that does not say which", ref, got)
			}
		}
		if !asks(r, implant.AskPartUnmatched) {
			t.Error("nobody asks which lead")
		}
	})
	t.Run("removal of both whole waits for a person", func(t *testing.T) {
		f := prose(implant.Removed, implant.Lead, 2, day(50))
		f.Value = "whole"
		r := foldAll(gen, lead1, lead2, first, note(f))
		if got := stateOfRef(t, r, "d/l1"); got != implant.ReportedRemoved || !asks(r, implant.AskRemovalDoubtful) {
			t.Errorf("lead is %q, removed by words alone", got)
		}
		f.Basis = implant.Reviewed
		if got := stateOfRef(t, foldAll(gen, lead1, lead2, first, note(f)), "d/l1"); got != implant.RemovedWhole {
			t.Errorf("lead is %q after a person reviewed the note", got)
		}
	})
	t.Run("note says cut where the code says explanted", func(t *testing.T) {
		f := prose(implant.WasCut, implant.Lead, 2, day(50))
		r := foldAll(gen, lead1, lead2, first, st("p/out", 1, act(implant.Removed, "d/l1", day(50)), act(implant.Removed, "d/l2", day(50))), note(f))
		if got := stateOfRef(t, r, "d/l1"); got != implant.Cut {
			t.Errorf("lead is %q, want the more cautious cut", got)
		}
		if !asks(r, implant.AskStatesConflict) {
			t.Error("nobody asks about the conflict")
		}
	})
	t.Run("a plain removed does not weaken a coded whole removal", func(t *testing.T) {
		r := foldAll(gen, lead1, lead2, first, st("p/out", 1, act(implant.Removed, "d/gen", day(50))), note(prose(implant.Removed, implant.Generator, 1, day(50))))
		if got := stateOfRef(t, r, "d/gen"); got != implant.RemovedWhole {
			t.Errorf("generator is %q", got)
		}
	})
	t.Run("a capped lead nobody implanted is in the body", func(t *testing.T) {
		r := foldAll(note(prose(implant.WasCapped, implant.Lead, 1, day(50))))
		if len(r.Parts) != 1 || r.Parts[0].State != implant.Capped {
			t.Errorf("want one capped lead: %s", dump(r))
		}
	})
}

func TestCurrentVersions(t *testing.T) {
	v := func(id, hash string, updated, message int) implant.Statement {
		s := implant.Statement{Key: "k", Version: implant.Version{ID: id, Hash: hash}}
		if updated > 0 {
			s.Version.LastUpdated = time.Unix(int64(updated), 0).UTC()
		}
		if message > 0 {
			s.Version.MessageTime = time.Unix(int64(message), 0).UTC()
		}
		return s
	}
	tests := []struct {
		name string
		in   []implant.Statement
		want []string // hashes
	}{
		{"last updated decides", []implant.Statement{v("9", "a", 1, 9), v("1", "b", 2, 1)}, []string{"b"}},
		{"version id decides where last updated is absent", []implant.Statement{v("10", "a", 0, 1), v("9", "b", 0, 2)}, []string{"a"}},
		{"message time decides last", []implant.Statement{v("", "a", 0, 1), v("", "b", 0, 2)}, []string{"b"}},
		{"nothing orders: both count", []implant.Statement{v("", "a", 0, 0), v("", "b", 0, 0)}, []string{"a", "b"}},
		{"same body twice is one", []implant.Statement{v("", "a", 0, 1), v("", "a", 0, 0)}, []string{"a"}},
		{"orders that contradict leave all", []implant.Statement{v("1", "a", 2, 0), v("2", "b", 0, 0), v("3", "c", 1, 0)}, []string{"a", "b", "c"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, _ := Current(tt.in)
			var hashes []string
			for _, s := range got {
				hashes = append(hashes, s.Version.Hash)
			}
			slices.Sort(hashes)
			if !slices.Equal(hashes, tt.want) {
				t.Errorf("current %v, want %v", hashes, tt.want)
			}
		})
	}
}

// A newer version that could not be read is asked about and takes nothing away; once a version that can be read
// comes after it, it is settled.
func TestRefusedVersionTakesNothingAway(t *testing.T) {
	unread := st("p/implant", 2, implant.Fact{Kind: implant.Unread, Value: "Procedure: refused"})
	r := foldAll(gen, lead1, lead2, first, unread)
	if got := stateOfRef(t, r, "d/gen"); got != implant.Connected || !asks(r, implant.AskMessageUnread) {
		t.Errorf("generator is %q, questions %v", got, r.Questions)
	}
	copyOfFirst := st("p/implant", 1, implant.Fact{Kind: implant.Unread, Value: "Procedure: refused"})
	copyOfFirst.Version.Hash = "garbled"
	if r := foldAll(gen, lead1, lead2, first, copyOfFirst); asks(r, implant.AskMessageUnread) {
		t.Error("asked about a garbled copy of a version that was read")
	}
	third := first
	third.Version.ID, third.Version.LastUpdated, third.Version.Hash = "3", unread.Version.LastUpdated.AddDate(0, 0, 1), "third"
	if r := foldAll(gen, lead1, lead2, first, unread, third); asks(r, implant.AskMessageUnread) {
		t.Error("still asked after a newer version was read")
	}
}

func TestVoidSourceSaysNothing(t *testing.T) {
	void := st("p/implant", 2)
	void.Void = true
	r := foldAll(gen, lead1, lead2, first, void)
	for _, p := range r.Parts {
		if p.State == implant.Connected {
			t.Errorf("part from a withdrawn source is %s", p.State)
		}
	}
}

func TestStateOnADay(t *testing.T) {
	ss := []implant.Statement{gen, lead1, lead2, first, st("p/out", 1, act(implant.Removed, "d/gen", day(50)))}
	at := Fold(Input{Patients: []string{pat}, Statements: ss, On: time.Date(2026, 1, 31, 0, 0, 0, 0, time.UTC)})
	if got := stateOfRef(t, at, "d/gen"); got != implant.Connected {
		t.Errorf("generator on day 30 is %q", got)
	}
}

func TestAnswerClosesTheQuestionUntilTheNoteChanges(t *testing.T) {
	doubt := implant.Fact{Kind: implant.Doubt, Value: string(implant.AskDictation), Source: implant.Source{Path: "n", Quote: "explained the lead"}}
	q := foldAll(st("n/1", 1, doubt)).Questions
	if len(q) != 1 {
		t.Fatalf("want one question, got %v", q)
	}
	answer := st("review/1", 1, implant.Fact{Kind: implant.Answer, Value: q[0].ID, Basis: implant.Reviewed})
	if r := foldAll(st("n/1", 1, doubt), answer); len(r.Questions) != 0 {
		t.Errorf("still open after the answer: %v", r.Questions)
	}
	if r := foldAll(st("n/1", 1, doubt), st("n/1", 2, doubt), answer); len(r.Questions) != 1 {
		t.Errorf("not asked again after the note changed: %v", r.Questions)
	}
}

// A part is taken out on a side where nobody had placed it: perhaps another part came out (common practice, no source).
func TestRemovedOnTheOtherSide(t *testing.T) {
	for side, want := range map[implant.Side]bool{implant.Left: false, implant.Right: true, implant.Bilateral: false, "": false} {
		in, out := act(implant.Implanted, "d/l1", day(10)), act(implant.Removed, "d/l1", day(50))
		in.Site.Side, out.Site.Side = implant.Left, side
		if r := foldAll(lead1, st("p/in", 1, in), st("p/out", 1, out)); asks(r, implant.AskSideConflict) != want {
			t.Errorf("in on the left, out on %q: %s", side, dump(r))
		}
	}
}
