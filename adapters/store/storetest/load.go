package storetest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// Load is a source of messages such as the pipeline stores: a procedure on a patient with two devices that name
// no patient, now and then the Patient, and a referral. All numbers follow from the message's number.
type Load struct{ Patients int }

const (
	loadBody    = 4 << 10 // bytes of a message
	loadFacts   = 6       // of a procedure
	loadPersons = 8       // every eighth message has the Patient
)

func (l Load) patient(i int) string { return fmt.Sprintf("clinic-a|Patient/%d", i%l.Patients) }

func (l Load) message(i int) pipeline.Message {
	body := bytes.Repeat([]byte(fmt.Sprintf(`{"entry":%09d},`, i)), loadBody/18)
	h := sha256.Sum256(append([]byte("clinic-a\x00"), body...))
	return pipeline.Message{ID: hex.EncodeToString(h[:]), Sender: "clinic-a", ContentType: "application/fhir+json", Body: body,
		ReceivedAt: start.Add(time.Duration(i) * time.Millisecond)}
}

func (l Load) statements(i int, m pipeline.Message) []pipeline.StoredStatement {
	hash := sha256.Sum256([]byte(m.ID))
	st := func(typ, patient string, mentions ...string) pipeline.StoredStatement {
		return pipeline.StoredStatement{MessageID: m.ID, Offset: 10, Length: 900, ReceivedAt: m.ReceivedAt,
			Statement: implant.Statement{Key: fmt.Sprintf("clinic-a|%s/%d", typ, i), Type: typ, Patient: patient, Mentions: mentions,
				Version: implant.Version{ID: "1", Hash: hex.EncodeToString(hash[:]), MessageTime: m.ReceivedAt}}}
	}
	lead, gen := st("Device", ""), st("Device", "")
	lead.Key, gen.Key = lead.Key+"-lead", gen.Key+"-generator"
	proc := st("Procedure", l.patient(i), lead.Key, gen.Key)
	for j := range loadFacts {
		proc.Facts = append(proc.Facts, implant.Fact{Kind: implant.Implanted, Basis: implant.Coded, At: "2026-03-04",
			Component: implant.Component{Ref: lead.Key, Kind: implant.Lead, Model: "TB-1234", Serial: fmt.Sprint(i, j)},
			Source:    implant.Source{Key: proc.Key, Path: fmt.Sprintf("Procedure.focalDevice[%d].action", j), Quote: "implanted"}})
	}
	referral := st("ServiceRequest", l.patient(i))
	referral.Referral = &implant.Referral{Status: "active", Intent: "order", MR: implant.Yes}
	out := []pipeline.StoredStatement{proc, lead, gen, referral}
	if i%loadPersons == 0 {
		p := st("Patient", l.patient(i))
		p.Key = l.patient(i)
		p.Person = &implant.Person{Family: "Testperson", Identifiers: []implant.Identifier{ident("urn:mrn", fmt.Sprint("N", i%l.Patients))}}
		out = append(out, p)
	}
	return out
}

func (l Load) record(patient string, i int) implant.Record {
	rec := implant.Record{Patient: patient, Aliases: []string{patient}, Statements: i, LastStated: "2026-03-04"}
	for j := range 3 {
		p := part(fmt.Sprintf("%s part %d", patient, j))
		p.Component.Model, p.Component.Lot, p.Component.DI = "TB-1234", fmt.Sprint("L", i%97), "07654321098765"
		for k := range 4 {
			p.Evidence = append(p.Evidence, implant.Source{Key: patient, Path: fmt.Sprint("Procedure.focalDevice ", k), Quote: "implanted"})
		}
		rec.Parts = append(rec.Parts, p)
	}
	return rec
}

// Commit stores messages from to from+n-1 in one transaction, with the calls that the pipeline makes.
func (l Load) Commit(tb testing.TB, s pipeline.Store, from, n int) {
	ctx := tb.Context()
	err := s.Update(ctx, func(tx pipeline.Tx) error {
		touched := map[string]int{}
		list := make([]pipeline.Message, n)
		for i := range list {
			list[i] = l.message(from + i)
		}
		fresh, err := tx.SaveMessages(ctx, list)
		if err != nil || slices.Contains(fresh, false) {
			return fmt.Errorf("messages from %d: fresh %v, %w", from, fresh, err)
		}
		for i := from; i < from+n; i++ {
			m := list[i-from]
			var keys []string
			for _, st := range l.statements(i, m) {
				if err := tx.SaveStatement(ctx, st); err != nil {
					return err
				}
				keys = append(keys, st.Key)
			}
			if _, err := tx.Concerned(ctx, keys); err != nil {
				return err
			}
			touched[l.patient(i)] = i
		}
		return l.refold(tb, tx, touched)
	})
	if err != nil {
		tb.Fatal(err)
	}
}

func (l Load) refold(tb testing.TB, tx pipeline.Tx, touched map[string]int) error {
	ctx := tb.Context()
	var patients, want []string
	for p := range touched {
		patients = append(patients, p)
	}
	reach, _, err := tx.Cluster(ctx, patients)
	if err != nil {
		return err
	}
	stored, err := tx.OfPatients(ctx, reach)
	if err != nil {
		return err
	}
	for _, st := range stored {
		want = append(want, st.Mentions...)
	}
	if _, err := tx.ByKey(ctx, want); err != nil {
		return err
	}
	var devices []string
	for p, i := range touched {
		devices = append(devices, history.DeviceKeys(l.record(p, i))...)
	}
	if _, err := tx.Sharers(ctx, reach, devices, history.MaxHolders+1); err != nil {
		return err
	}
	for p, i := range touched {
		if err := tx.SaveRecord(ctx, l.record(p, i)); err != nil {
			return err
		}
		referral := fmt.Sprint("clinic-a|ServiceRequest/", i)
		v := pipeline.StoredVerdict{Referral: referral, Patient: p, Site: "east", Revision: 1, State: "in-force", Kind: "k",
			Body: bytes.Repeat([]byte("v"), 1500), Decided: start}
		if err := tx.SaveVerdict(ctx, v); err != nil {
			return err
		}
		o := out(fmt.Sprint("out ", i), referral, time.Time{})
		o.Body = bytes.Repeat([]byte("b"), 3000)
		if err := tx.Queue(ctx, o); err != nil {
			return err
		}
	}
	return nil
}

// Rate says how many messages a second were stored in transactions of each size.
type Rate map[int]float64

// Sizes of transaction that are compared, with the number of messages that each is given in a round.
var loadSizes = []struct{ batch, messages int }{{1, 150}, {100, 500}, {500, 1000}}

// Rates measures the sizes in turn, in rounds, on stores that grow alike; several stores take turns within a
// round, so that their ratios are of one moment of the machine.
func Rates(tb testing.TB, rounds int, stores ...pipeline.Store) []Rate {
	l := Load{Patients: 5000}
	next := make([]int, len(stores))
	spent := make([]map[int]time.Duration, len(stores))
	for i, s := range stores {
		spent[i] = map[int]time.Duration{}
		l.Commit(tb, s, 0, 500) // warms caches and plans
		next[i] = 500
	}
	for range rounds {
		for _, size := range loadSizes {
			for i, s := range stores {
				began := time.Now()
				for done := 0; done < size.messages; done += size.batch {
					l.Commit(tb, s, next[i], size.batch)
					next[i] += size.batch
				}
				spent[i][size.batch] += time.Since(began)
			}
		}
	}
	out := make([]Rate, len(stores))
	for i := range stores {
		out[i] = Rate{}
		for _, size := range loadSizes {
			out[i][size.batch] = float64(rounds*size.messages) / spent[i][size.batch].Seconds()
		}
	}
	return out
}
