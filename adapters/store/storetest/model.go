package storetest

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
	"gaussline/mapping/trace"
)

// model is the store as a person would explain it: maps and loops, nothing clever. It keeps what the property
// test writes (valid values only) and answers as the contract in ports.go says.
type model struct {
	messages map[string]pipeline.Message
	stmts    []pipeline.StoredStatement
	records  map[string]implant.Record // by key
	aliases  map[string]string
	verdicts map[string]pipeline.StoredVerdict
	rejects  map[string]pipeline.Rejected
	outbox   []pipeline.Outgoing
	journal  []pipeline.Entry
}

func newModel() *model {
	return &model{messages: map[string]pipeline.Message{}, records: map[string]implant.Record{}, aliases: map[string]string{},
		verdicts: map[string]pipeline.StoredVerdict{}, rejects: map[string]pipeline.Rejected{}}
}

func (m *model) clone() *model {
	return &model{messages: maps.Clone(m.messages), stmts: slices.Clone(m.stmts), records: maps.Clone(m.records),
		aliases: maps.Clone(m.aliases), verdicts: maps.Clone(m.verdicts), rejects: maps.Clone(m.rejects),
		outbox: slices.Clone(m.outbox), journal: slices.Clone(m.journal)}
}

// json brings a value to what its JSON gives back.
func jsoned[T any](v T) (out T) {
	b, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		panic(err)
	}
	return out
}

func (m *model) SaveMessages(_ context.Context, list []pipeline.Message) (fresh []bool, err error) {
	for _, x := range list {
		_, kept := m.messages[x.ID]
		if !kept {
			m.messages[x.ID] = x
		}
		fresh = append(fresh, !kept)
	}
	return fresh, nil
}

func (m *model) SaveStatement(_ context.Context, s pipeline.StoredStatement) error {
	for _, k := range m.stmts {
		if k.Key == s.Key && k.Version == s.Version {
			return nil
		}
	}
	s.Statement = jsoned(s.Statement)
	m.stmts = append(m.stmts, s)
	return nil
}

func (m *model) DropStatements(_ context.Context, messageID, key string) error {
	m.stmts = slices.DeleteFunc(m.stmts, func(s pipeline.StoredStatement) bool {
		return s.MessageID == messageID && (key == "" || s.Key == key)
	})
	return nil
}

func (m *model) SaveRecord(ctx context.Context, rec implant.Record) error {
	for _, a := range append([]string{rec.Patient}, rec.Aliases...) {
		if err := m.DropRecord(ctx, a); err != nil {
			return err
		}
	}
	m.records[rec.Patient] = jsoned(rec)
	for _, a := range append([]string{rec.Patient}, rec.Aliases...) {
		m.aliases[a] = rec.Patient
	}
	return nil
}

func (m *model) DropRecord(_ context.Context, patient string) error {
	if _, kept := m.records[patient]; kept {
		delete(m.records, patient)
		maps.DeleteFunc(m.aliases, func(_, p string) bool { return p == patient })
	}
	return nil
}

func (m *model) SaveVerdict(_ context.Context, v pipeline.StoredVerdict) error {
	m.verdicts[v.Referral] = v
	return nil
}

func (m *model) SaveRejected(_ context.Context, r pipeline.Rejected) error {
	m.rejects[r.ID] = r
	return nil
}

func (m *model) Queue(_ context.Context, o pipeline.Outgoing) error {
	for _, k := range m.outbox {
		if k.ID == o.ID {
			return nil
		}
	}
	m.outbox = append(m.outbox, o)
	return nil
}

func (m *model) Settle(_ context.Context, o pipeline.Outgoing) error {
	for i := range m.outbox {
		if k := &m.outbox[i]; k.ID == o.ID {
			k.State, k.Attempts, k.NextTry, k.LastErr = o.State, o.Attempts, o.NextTry, o.LastErr
			return nil
		}
	}
	return pipeline.ErrNotFound
}

// Cluster knows no crowds: the property test has too few patients for one.
func (m *model) Cluster(_ context.Context, patients []string) (keys, crowded []string, err error) {
	in := map[string]bool{}
	for _, p := range patients {
		in[p] = true
	}
	for grown := true; grown; { // a statement that touches the set pulls all it names into it
		grown = false
		for _, s := range m.stmts {
			if s.Person == nil {
				continue
			}
			nodes := []string{s.Key, s.Patient}
			for _, id := range s.Person.Identifiers {
				if strings.Trim(id.Value, "0") != "" {
					nodes = append(nodes, "id:"+id.System+"|"+id.Value)
				}
			}
			for _, l := range s.Person.Links {
				nodes = append(nodes, l.Other)
			}
			touches := slices.ContainsFunc(nodes, func(n string) bool { return in[n] })
			for _, n := range nodes {
				if touches && !in[n] && n != "" {
					in[n], grown = true, true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(in)), nil, nil
}

func (m *model) statements(want func(pipeline.StoredStatement) bool) (out []pipeline.StoredStatement, err error) {
	for _, s := range m.stmts {
		if want(s) {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b pipeline.StoredStatement) int {
		if a.Key != b.Key {
			return strings.Compare(a.Key, b.Key)
		}
		x, y := a.Version, b.Version
		if x.Hash != y.Hash {
			return strings.Compare(x.Hash, y.Hash)
		}
		if x.ID != y.ID {
			return strings.Compare(x.ID, y.ID)
		}
		if c := x.LastUpdated.Compare(y.LastUpdated); c != 0 {
			return c
		}
		return x.MessageTime.Compare(y.MessageTime)
	})
	return out, nil
}

func (m *model) OfPatients(_ context.Context, patients []string) ([]pipeline.StoredStatement, error) {
	theirs := map[string]bool{}
	for _, s := range m.stmts {
		if s.Patient != "" && slices.Contains(patients, s.Patient) || s.Person != nil && slices.Contains(patients, s.Key) {
			theirs[s.Key] = true
		}
	}
	return m.statements(func(s pipeline.StoredStatement) bool { return theirs[s.Key] })
}

func (m *model) ByKey(_ context.Context, keys []string) ([]pipeline.StoredStatement, error) {
	return m.statements(func(s pipeline.StoredStatement) bool { return slices.Contains(keys, s.Key) })
}

func (m *model) Concerned(_ context.Context, keys []string) ([]string, error) {
	asked, patients := map[string]bool{}, map[string]bool{}
	for _, k := range keys {
		asked[k] = true
	}
	for _, s := range m.stmts {
		if s.Patient != "" && asked[s.Key] {
			patients[s.Patient] = true
		}
	}
	for grown := true; grown; {
		grown = false
		for _, s := range m.stmts {
			for _, k := range s.Mentions {
				switch {
				case k == "" || !asked[k]:
				case s.Patient != "":
					patients[s.Patient] = true
				case !asked[s.Key]:
					asked[s.Key], grown = true, true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(patients)), nil
}

func (m *model) Message(_ context.Context, id string) (pipeline.Message, error) {
	x, kept := m.messages[id]
	if !kept {
		return x, pipeline.ErrNotFound
	}
	return x, nil
}

func (m *model) Record(_ context.Context, patient string) (implant.Record, error) {
	key, kept := m.aliases[patient]
	if !kept {
		return implant.Record{}, pipeline.ErrNotFound
	}
	return m.records[key], nil
}

func (m *model) Records(_ context.Context, after string, f func(implant.Record) error) error {
	for _, k := range slices.Sorted(maps.Keys(m.records)) {
		if k > after {
			if err := f(m.records[k]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *model) Verdict(_ context.Context, referral string) (pipeline.StoredVerdict, error) {
	v, kept := m.verdicts[referral]
	if !kept {
		return v, pipeline.ErrNotFound
	}
	return v, nil
}

func (m *model) Verdicts(_ context.Context, site, state string) (out []pipeline.StoredVerdict, err error) {
	for _, k := range slices.Sorted(maps.Keys(m.verdicts)) {
		if v := m.verdicts[k]; (site == "" || v.Site == site) && (state == "" || v.State == state) {
			out = append(out, v)
		}
	}
	return out, nil
}

func (m *model) Rejects(_ context.Context, state string) (out []pipeline.Rejected, err error) {
	for _, k := range slices.Sorted(maps.Keys(m.rejects)) {
		if r := m.rejects[k]; state == "" || r.State == state {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b pipeline.Rejected) int { return a.RejectedAt.Compare(b.RejectedAt) })
	return out, nil
}

func (m *model) Waiting(_ context.Context, now time.Time, limit int) (out []pipeline.Outgoing, err error) {
	first := map[string]bool{}
	for _, o := range m.outbox {
		if o.State != "waiting" || first[o.Order] {
			continue
		}
		first[o.Order] = true
		if !o.NextTry.After(now) && len(out) < limit {
			out = append(out, o)
		}
	}
	return out, nil
}

func (m *model) Outbox(_ context.Context, state string) (out []pipeline.Outgoing, err error) {
	for _, o := range m.outbox {
		if state == "" || o.State == state {
			out = append(out, o)
		}
	}
	return out, nil
}

func (m *model) Count(context.Context) (map[string]int64, error) {
	n := zeroCount()
	n["messages"], n["statements"], n["records"] = int64(len(m.messages)), int64(len(m.stmts)), int64(len(m.records))
	for _, r := range m.records {
		n["parts"] += int64(len(r.Parts))
	}
	for _, r := range m.rejects {
		if r.State == "open" {
			n["rejected-open"]++
		}
	}
	for _, o := range m.outbox {
		switch o.State {
		case "waiting":
			n["outbox-waiting"]++
		case "dead":
			n["outbox-dead"]++
		}
	}
	for _, v := range m.verdicts {
		if v.State == "in-force" {
			n["verdicts-in-force"]++
		}
	}
	return n, nil
}

func (m *model) Parts(_ context.Context, q pipeline.PartsQuery, f func(pipeline.TracedPart)) (more bool, err error) {
	fits := func(list []string, v string) bool { return len(list) == 0 || slices.Contains(list, trace.Fold(v)) }
	given := 0
	for _, key := range slices.Sorted(maps.Keys(m.records)) {
		rec := m.records[key]
		for _, p := range rec.Parts {
			doubtful := slices.ContainsFunc(rec.Questions, func(x implant.Question) bool {
				return x.Code == implant.AskIdentityConflict && slices.Contains(x.Parts, p.ID)
			})
			c := p.Component
			if q.Doubtful && !doubtful || !fits(q.DIs, c.DI) || !fits(q.Models, c.Model) || !fits(q.Serials, c.Serial) || !fits(q.Lots, c.Lot) {
				continue
			}
			if given++; given > q.Limit {
				return true, nil
			}
			f(pipeline.TracedPart{Patient: key, ID: p.ID, State: p.State, Implanted: p.Implanted, Removed: p.Removed, Doubtful: doubtful,
				Component: implant.Component{Kind: c.Kind, Maker: c.Maker, Model: c.Model, Lot: c.Lot, Serial: c.Serial, DI: c.DI, Expiry: c.Expiry}})
		}
	}
	return false, nil
}

func (m *model) Lives(_ context.Context, f func(string, registry.Life, bool) error) error {
	for _, key := range slices.Sorted(maps.Keys(m.records)) {
		lives := registry.Lives(m.records[key])
		for _, id := range slices.Sorted(maps.Keys(lives)) {
			if err := f(key, lives[id], true); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *model) Append(_ context.Context, e pipeline.Entry) (int64, error) {
	e.Seq = int64(len(m.journal) + 1)
	m.journal = append(m.journal, e)
	return e.Seq, nil
}

func (m *model) Entries(_ context.Context, kind, key string, after int64, limit int) (out []pipeline.Entry, err error) {
	for _, e := range m.journal {
		if e.Kind == kind && (key == "" || e.Key == key) && e.Seq > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, nil
}

func (m *model) Newest(_ context.Context, kind string) (out []pipeline.Entry, err error) {
	byKey := map[string]pipeline.Entry{}
	for _, e := range m.journal {
		if e.Kind == kind {
			byKey[e.Key] = e
		}
	}
	for _, k := range slices.Sorted(maps.Keys(byKey)) {
		out = append(out, byKey[k])
	}
	return out, nil
}
