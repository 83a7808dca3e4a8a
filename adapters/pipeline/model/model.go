// Package model is a store in memory as a person would explain it: maps and loops, nothing clever. It answers as the
// contract in ports.go says, for valid values: the suite of the stores holds them against it, and it is the disk of the
// simulated protocol. For tests only.
package model

import (
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/history"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
	"gaussline/mapping/trace"
)

// Model is what a store holds. A transaction works on a Clone.
type Model struct {
	Received map[string]pipeline.Message
	Stated   []pipeline.StoredStatement
	Folded   map[string]implant.Record // by key
	Decided  map[string]pipeline.StoredVerdict
	Refused  map[string]pipeline.Rejected
	Queued   []pipeline.Outgoing
	QueuedAs map[string]int // place in Queued by id
	Journal  []pipeline.Entry
	aliases  map[string]string
}

// New makes an empty one.
func New() *Model {
	return &Model{Received: map[string]pipeline.Message{}, Folded: map[string]implant.Record{}, aliases: map[string]string{},
		Decided: map[string]pipeline.StoredVerdict{}, Refused: map[string]pipeline.Rejected{}, QueuedAs: map[string]int{}}
}

// Clone makes a copy that may be changed.
func (m *Model) Clone() *Model {
	return &Model{Received: maps.Clone(m.Received), Stated: slices.Clone(m.Stated), Folded: maps.Clone(m.Folded),
		aliases: maps.Clone(m.aliases), Decided: maps.Clone(m.Decided), Refused: maps.Clone(m.Refused),
		Queued: slices.Clone(m.Queued), QueuedAs: maps.Clone(m.QueuedAs), Journal: slices.Clone(m.Journal)}
}

// jsoned brings a value to what its JSON gives back.
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

func (m *Model) SaveMessages(_ context.Context, list []pipeline.Message) (fresh []bool, err error) {
	for _, x := range list {
		_, kept := m.Received[x.ID]
		if !kept {
			m.Received[x.ID] = x
		}
		fresh = append(fresh, !kept)
	}
	return fresh, nil
}

func (m *Model) SaveStatement(_ context.Context, s pipeline.StoredStatement) error {
	for _, k := range m.Stated {
		if k.Key == s.Key && k.Version == s.Version {
			return nil
		}
	}
	s.Statement = jsoned(s.Statement)
	m.Stated = append(m.Stated, s)
	return nil
}

func (m *Model) DropStatements(_ context.Context, messageID, key string) error {
	m.Stated = slices.DeleteFunc(m.Stated, func(s pipeline.StoredStatement) bool {
		return s.MessageID == messageID && (key == "" || s.Key == key)
	})
	return nil
}

func (m *Model) SaveRecord(ctx context.Context, rec implant.Record) error {
	for _, a := range append([]string{rec.Patient}, rec.Aliases...) {
		if err := m.DropRecord(ctx, a); err != nil {
			return err
		}
	}
	m.Folded[rec.Patient] = jsoned(rec)
	for _, a := range append([]string{rec.Patient}, rec.Aliases...) {
		m.aliases[a] = rec.Patient
	}
	return nil
}

func (m *Model) DropRecord(_ context.Context, patient string) error {
	if _, kept := m.Folded[patient]; kept {
		delete(m.Folded, patient)
		maps.DeleteFunc(m.aliases, func(_, p string) bool { return p == patient })
	}
	return nil
}

func (m *Model) SaveVerdict(_ context.Context, v pipeline.StoredVerdict) error {
	m.Decided[v.Referral] = v
	return nil
}

func (m *Model) SaveRejected(_ context.Context, r pipeline.Rejected) error {
	m.Refused[r.ID] = r
	return nil
}

func (m *Model) Queue(_ context.Context, o pipeline.Outgoing) error {
	if _, kept := m.QueuedAs[o.ID]; !kept {
		o.Seq = int64(len(m.Queued) + 1)
		m.QueuedAs[o.ID] = len(m.Queued)
		m.Queued = append(m.Queued, o)
	}
	return nil
}

func (m *Model) Settle(_ context.Context, o pipeline.Outgoing) error {
	i, kept := m.QueuedAs[o.ID]
	if !kept {
		return pipeline.ErrNotFound
	}
	k := &m.Queued[i]
	k.State, k.Attempts, k.NextTry, k.LastErr = o.State, o.Attempts, o.NextTry, o.LastErr
	return nil
}

// Cluster knows no crowds: the property test has too few patients for one.
func (m *Model) Cluster(_ context.Context, patients []string) (keys, crowded []string, err error) {
	in := map[string]bool{}
	for _, p := range patients {
		in[p] = true
	}
	for grown := true; grown; { // a statement that touches the set pulls all it names into it
		grown = false
		for _, s := range m.Stated {
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

func (m *Model) statements(want func(pipeline.StoredStatement) bool) (out []pipeline.StoredStatement, err error) {
	for _, s := range m.Stated {
		if want(s) {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b pipeline.StoredStatement) int {
		return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.Version.Hash, b.Version.Hash), cmp.Compare(a.Version.ID, b.Version.ID),
			a.Version.LastUpdated.Compare(b.Version.LastUpdated), a.Version.MessageTime.Compare(b.Version.MessageTime))
	})
	return out, nil
}

func (m *Model) OfPatients(_ context.Context, patients []string) ([]pipeline.StoredStatement, error) {
	theirs := map[string]bool{}
	for _, s := range m.Stated {
		if s.Patient != "" && slices.Contains(patients, s.Patient) || s.Person != nil && slices.Contains(patients, s.Key) {
			theirs[s.Key] = true
		}
	}
	return m.statements(func(s pipeline.StoredStatement) bool { return theirs[s.Key] })
}

func (m *Model) ByKey(_ context.Context, keys []string) ([]pipeline.StoredStatement, error) {
	return m.statements(func(s pipeline.StoredStatement) bool { return slices.Contains(keys, s.Key) })
}

func (m *Model) Concerned(_ context.Context, keys []string) ([]string, error) {
	asked, patients := map[string]bool{}, map[string]bool{}
	for _, k := range keys {
		asked[k] = true
	}
	for _, s := range m.Stated {
		if s.Patient != "" && asked[s.Key] {
			patients[s.Patient] = true
		}
	}
	for grown := true; grown; {
		grown = false
		for _, s := range m.Stated {
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

func (m *Model) Message(_ context.Context, id string) (pipeline.Message, error) {
	x, kept := m.Received[id]
	if !kept {
		return x, pipeline.ErrNotFound
	}
	return x, nil
}

func (m *Model) Record(_ context.Context, patient string) (implant.Record, error) {
	key, kept := m.aliases[patient]
	if !kept {
		return implant.Record{}, pipeline.ErrNotFound
	}
	return m.Folded[key], nil
}

func (m *Model) Records(_ context.Context, after string, f func(implant.Record) error) error {
	for _, k := range slices.Sorted(maps.Keys(m.Folded)) {
		if k > after {
			if err := f(m.Folded[k]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *Model) Verdict(_ context.Context, referral string) (pipeline.StoredVerdict, error) {
	v, kept := m.Decided[referral]
	if !kept {
		return v, pipeline.ErrNotFound
	}
	return v, nil
}

func (m *Model) Verdicts(_ context.Context, site, state string) (out []pipeline.StoredVerdict, err error) {
	for _, k := range slices.Sorted(maps.Keys(m.Decided)) {
		if v := m.Decided[k]; (site == "" || v.Site == site) && (state == "" || v.State == state) {
			out = append(out, v)
		}
	}
	return out, nil
}

func (m *Model) Rejects(_ context.Context, state string) (out []pipeline.Rejected, err error) {
	for _, k := range slices.Sorted(maps.Keys(m.Refused)) {
		if r := m.Refused[k]; state == "" || r.State == state {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b pipeline.Rejected) int { return a.RejectedAt.Compare(b.RejectedAt) })
	return out, nil
}

func (m *Model) Waiting(_ context.Context, now time.Time, limit int) (out []pipeline.Outgoing, err error) {
	first := map[string]bool{}
	for _, o := range m.Queued {
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

func (m *Model) Outbox(_ context.Context, state string) (out []pipeline.Outgoing, err error) {
	for _, o := range m.Queued {
		if state == "" || o.State == state {
			out = append(out, o)
		}
	}
	return out, nil
}

// NoCount has the names that ports.go promises, not those of package store.
func NoCount() map[string]int64 {
	return map[string]int64{"messages": 0, "statements": 0, "records": 0, "parts": 0, "rejected-open": 0,
		"outbox-waiting": 0, "outbox-dead": 0, "verdicts-in-force": 0}
}

func (m *Model) Count(context.Context) (map[string]int64, error) {
	n := NoCount()
	n["messages"], n["statements"], n["records"] = int64(len(m.Received)), int64(len(m.Stated)), int64(len(m.Folded))
	for _, r := range m.Folded {
		n["parts"] += int64(len(r.Parts))
	}
	for _, r := range m.Refused {
		if r.State == "open" {
			n["rejected-open"]++
		}
	}
	for _, o := range m.Queued {
		switch o.State {
		case "waiting":
			n["outbox-waiting"]++
		case "dead":
			n["outbox-dead"]++
		}
	}
	for _, v := range m.Decided {
		if v.State == "in-force" {
			n["verdicts-in-force"]++
		}
	}
	return n, nil
}

func (m *Model) Parts(_ context.Context, q pipeline.PartsQuery, f func(pipeline.TracedPart)) (more bool, err error) {
	fits := func(list []string, v string) bool { return len(list) == 0 || slices.Contains(list, trace.Fold(v)) }
	given := 0
	for _, key := range slices.Sorted(maps.Keys(m.Folded)) {
		rec := m.Folded[key]
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

func (m *Model) Sharers(_ context.Context, hand, keys []string, limit int) (map[string][]string, error) {
	asked := slices.Clone(keys)
	for _, p := range hand {
		asked = append(asked, history.DeviceKeys(m.Folded[p])...)
	}
	out := map[string][]string{}
	for _, key := range slices.Sorted(maps.Keys(m.Folded)) {
		for _, k := range history.DeviceKeys(m.Folded[key]) {
			if slices.Contains(asked, k) && !slices.Contains(hand, key) && len(out[k]) < limit {
				out[k] = append(out[k], key)
			}
		}
	}
	return out, nil
}

// Unlisted finds none: every record here is kept with its device keys.
func (m *Model) Unlisted(context.Context, string, int) ([]string, error) { return nil, nil }

func (m *Model) Lives(_ context.Context, f func(string, registry.Life, bool) error) error {
	for _, key := range slices.Sorted(maps.Keys(m.Folded)) {
		lives := registry.Lives(m.Folded[key])
		for _, id := range slices.Sorted(maps.Keys(lives)) {
			if err := f(key, lives[id], true); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *Model) Append(_ context.Context, e pipeline.Entry) (int64, error) {
	e.Seq = int64(len(m.Journal) + 1)
	m.Journal = append(m.Journal, e)
	return e.Seq, nil
}

func (m *Model) Entries(_ context.Context, kind, key string, after int64, limit int) (out []pipeline.Entry, err error) {
	for _, e := range m.Journal {
		if e.Kind == kind && (key == "" || e.Key == key) && e.Seq > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, nil
}

func (m *Model) Newest(_ context.Context, kind string) (out []pipeline.Entry, err error) {
	byKey := map[string]pipeline.Entry{}
	for _, e := range m.Journal {
		if e.Kind == kind {
			byKey[e.Key] = e
		}
	}
	for _, k := range slices.Sorted(maps.Keys(byKey)) {
		out = append(out, byKey[k])
	}
	return out, nil
}
