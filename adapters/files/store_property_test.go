package files

import (
	"context"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	fold "gaussline/mapping/history"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// clinicWorld is what a clinic has told so far: statements in all their versions, and which patient keys are one.
type clinicWorld struct {
	statements []implant.Statement
	into       map[string]string // a patient key merged into another
	told       int
}

const clinicPatients, clinicDevices = 3, 6

func patientKey(i int) string { return fmt.Sprintf("clinic|Patient/%d", i) }

// survivor follows merges.
func (w *clinicWorld) survivor(key string) string {
	for w.into[key] != "" {
		key = w.into[key]
	}
	return key
}

// tell adds the next version of a source.
func (w *clinicWorld) tell(typ, id, patient string, void bool, facts ...implant.Fact) {
	w.told++
	s := implant.Statement{Key: "clinic|" + typ + "/" + id, Type: typ, Patient: patient, Void: void, Facts: facts,
		Version: implant.Version{ID: fmt.Sprint(w.told), LastUpdated: time.Date(2026, 1, 1, w.told, 0, 0, 0, time.UTC), Hash: fmt.Sprintf("%064d", w.told)}}
	for i := range s.Facts {
		s.Facts[i].Source = implant.Source{Key: s.Key, Path: fmt.Sprintf("%s.part[%d]", typ, i), Quote: "lead"}
		s.Facts[i].Basis = implant.Coded
	}
	w.statements = append(w.statements, s)
}

// act draws one thing that may happen: a procedure told late or in time, a correction of an earlier one, one entered in
// error, a device described or described anew, a complication, a merge of two patients or one taken apart.
func (w *clinicWorld) act(t *rapid.T) {
	days := []implant.When{"2025-11-03", "2026-01-15", "2026-01-20", "2026-02", "2026-02-11", "2026", "", "2026-05-20", "[2026-02-03,2026-03-02]"}
	n := rapid.IntRange(0, 9).Draw(t, "source")
	patient := patientKey(n % clinicPatients)
	device := func() string {
		return fmt.Sprintf("clinic|Device/%d", rapid.IntRange(0, clinicDevices-1).Draw(t, "device"))
	}
	switch rapid.IntRange(0, 9).Draw(t, "what") {
	case 0:
		w.tell("Procedure", fmt.Sprint(n), patient, true)
	case 1:
		a, b := w.survivor(patient), w.survivor(patientKey((n+1)%clinicPatients))
		if a != b {
			w.into[max(a, b)] = min(a, b)
		}
	case 2:
		delete(w.into, patient)
	case 3, 4:
		ref := device()
		w.tell("Device", ref[len("clinic|Device/"):], "", false, implant.Fact{Kind: implant.Described, Component: implant.Component{Ref: ref, Kind: implant.Lead,
			Model: rapid.SampledFrom([]string{"", "TB-L45", "TB-L60"}).Draw(t, "model"), Lot: rapid.SampledFrom([]string{"A1", "B2\x07"}).Draw(t, "lot")}})
	case 5:
		w.tell("Condition", fmt.Sprint(n), patient, false, implant.Fact{Kind: implant.Complication, At: rapid.SampledFrom(days).Draw(t, "day"),
			Value: rapid.SampledFrom([]string{"infection", "seroma", ""}).Draw(t, "what went wrong")})
	default:
		var facts []implant.Fact
		at := rapid.SampledFrom(days).Draw(t, "day")
		for range rapid.IntRange(1, 3).Draw(t, "parts") {
			f := implant.Fact{Kind: rapid.SampledFrom([]implant.FactKind{implant.Implanted, implant.Implanted, implant.Removed, implant.RemovedPart,
				implant.WasCapped, implant.Repositioned, implant.ReportedGone, implant.PresentByWord, implant.Adjusted}).Draw(t, "act"),
				Component: implant.Component{Ref: device()}, At: at}
			if f.Kind == implant.Removed && rapid.Bool().Draw(t, "whole") {
				f.Value = "whole"
			}
			facts = append(facts, f)
		}
		w.tell("Procedure", fmt.Sprint(n), patient, false, facts...)
	}
}

// records folds the records of all patients as they are now.
func (w *clinicWorld) records() (out []implant.Record) {
	clusters := map[string][]string{}
	for i := range clinicPatients {
		s := w.survivor(patientKey(i))
		clusters[s] = append(clusters[s], patientKey(i))
	}
	for _, keys := range clusters {
		in := fold.Input{Patients: keys}
		for _, s := range w.statements {
			if s.Patient == "" || slices.Contains(keys, s.Patient) {
				in.Statements = append(in.Statements, s)
			}
		}
		rec := fold.Fold(in)
		rec.Person = implant.Person{Birth: "1960", Sex: "female"}
		// A Device that only another patient's sources name is not of this record.
		rec.Parts = slices.DeleteFunc(rec.Parts, func(p implant.Part) bool {
			return !slices.ContainsFunc(p.Evidence, func(s implant.Source) bool { return s.Path[:6] != "Device" })
		})
		out = append(out, rec)
	}
	return out
}

// A registry that applies all closed months in order holds exactly what the store holds, through late facts,
// corrections, sources entered in error, and patients merged and taken apart: row by row what the record says, and
// every component of every record whose rows pass the checks, with the patient it is of and the state it is in.
func TestMonthsFollowTheStore(t *testing.T) {
	merges, voids, retracted, amended := 0, 0, 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		closed, err := os.MkdirTemp(t.TempDir(), "closed")
		if err != nil {
			rt.Fatal(err)
		}
		w := &clinicWorld{into: map[string]string{}}
		holds := map[string]registry.Row{}
		var applied []registry.Row
		for _, period := range []string{"2026-01", "2026-02", "2026-04"} {
			for range rapid.IntRange(0, 8).Draw(rt, "acts") {
				w.act(rt)
			}
			e := newExporter(t, closed, w.records()...)
			e.fast = true
			r, err := e.close(context.Background(), period, signer, true)
			if err != nil {
				rt.Fatal(err)
			}
			for _, row := range rowsOf(t, r.Dir) {
				applied = append(applied, row)
				if err := registry.Apply(holds, row); err != nil {
					rt.Fatal(err)
				}
			}
			want := expected(t, e, period)
			compareHoldings(rt, holds, want)
			if err := componentsHeld(e, holds, period); err != nil {
				rt.Fatal(err)
			}
			for i, row := range applied { // any last report left out is noticed: the comparison can fail
				if holds[row.RowID].Version == row.Version && sameHoldings(applyAllBut(applied, i), want) {
					rt.Fatalf("the last report of a row is left out, and nobody notices: %+v", row)
				}
			}
			retracted += int(r.Manifest.Registry.Counts.Retracted)
			amended += int(r.Manifest.Registry.Counts.Amended)
		}
		merges += len(w.into)
		for _, s := range w.statements {
			if s.Void {
				voids++
			}
		}
	})
	if merges == 0 || voids == 0 || retracted == 0 || amended == 0 {
		t.Errorf("%d merges, %d voids, %d retractions, %d amendments: not all was tried", merges, voids, retracted, amended)
	}
}

// applyAllBut applies the rows but one, as a registry would that lost a line and did not check what follows what.
func applyAllBut(rows []registry.Row, but int) map[string]registry.Row {
	holds := map[string]registry.Row{}
	for i, r := range rows {
		if i != but {
			holds[r.RowID] = r
		}
	}
	return holds
}

// sameHoldings says whether a registry holds what it should.
func sameHoldings(holds, want map[string]registry.Row) bool {
	n := 0
	for id, r := range holds {
		if r.Action == registry.ActionRetract {
			continue
		}
		n++
		if w, ok := want[id]; !ok || !registry.Same(r, w) {
			return false
		}
	}
	return n == len(want)
}

// componentsHeld checks the holdings against the records themselves, not against the maker of rows: each component on a
// record that is or was in the body is held, unless its rows were held back or are not due yet, and no other.
func componentsHeld(e *Exporter, holds map[string]registry.Row, period string) error {
	held := map[string]string{}
	for _, r := range holds {
		if r.Action != registry.ActionRetract && r.ComponentID != "" {
			held[r.ComponentID+" "+r.PatientID] = r.RowID
		}
	}
	patients := map[string]int{}
	for _, rec := range e.Store.(memory).records {
		for _, p := range rec.Parts {
			patients[p.ID]++
		}
	}
	for _, rec := range e.Store.(memory).records {
		for _, p := range rec.Parts {
			if p.State == implant.NeverImplanted {
				continue
			}
			id := e.Key.Pseudonym(registry.DomainComponent, p.ID) + " " + e.Key.Pseudonym(registry.DomainPatient, rec.Patient)
			_, ok := held[id]
			delete(held, id)
			if p.Component.Lot == "A1" || p.Component.Lot == "" {
				dated := true // rows of an event without a date are held back, and those of the future are not due
				for _, ev := range rec.Events {
					if slices.Contains(slices.Concat(ev.In, ev.Out, ev.Parts), p.ID) {
						from, _, known := ev.At.Bounds()
						dated = dated && known && from.Format("2006-01") <= period && ev.At != "2026"
					}
				}
				if dated && !ok && patients[p.ID] == 1 && !p.Removed.Before(p.Implanted) {
					return fmt.Errorf("%s, %s of %s is not held", p.ID, p.State, rec.Patient)
				}
			}
		}
	}
	for id, row := range held {
		if id != "" && holds[row].Role != "" && !neverWent(e, id) {
			return fmt.Errorf("a component is held that is on no record: %+v", holds[row])
		}
	}
	return nil
}

// neverWent says whether a held component is one that was opened and wasted.
func neverWent(e *Exporter, id string) bool {
	for _, rec := range e.Store.(memory).records {
		for _, p := range rec.Parts {
			if p.State == implant.NeverImplanted && id == e.Key.Pseudonym(registry.DomainComponent, p.ID)+" "+e.Key.Pseudonym(registry.DomainPatient, rec.Patient) {
				return true
			}
		}
	}
	return false
}
