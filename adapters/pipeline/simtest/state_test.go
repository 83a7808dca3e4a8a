package simtest

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// state is what a store holds. It answers as ports.go says; a transaction works on a copy.
type state struct {
	messages map[string]pipeline.Message
	stmts    []pipeline.StoredStatement
	records  map[string]implant.Record
	aliases  map[string]string
	verdicts map[string]pipeline.StoredVerdict
	rejects  map[string]pipeline.Rejected
	outbox   []pipeline.Outgoing
	queuedAs map[string]int // place in outbox by id
	journal  []pipeline.Entry
}

func newState() *state {
	return &state{messages: map[string]pipeline.Message{}, records: map[string]implant.Record{}, aliases: map[string]string{},
		verdicts: map[string]pipeline.StoredVerdict{}, rejects: map[string]pipeline.Rejected{}, queuedAs: map[string]int{}}
}

func (s *state) clone() *state {
	return &state{messages: maps.Clone(s.messages), stmts: slices.Clone(s.stmts), records: maps.Clone(s.records),
		aliases: maps.Clone(s.aliases), verdicts: maps.Clone(s.verdicts), rejects: maps.Clone(s.rejects),
		outbox: slices.Clone(s.outbox), queuedAs: maps.Clone(s.queuedAs), journal: slices.Clone(s.journal)}
}

func (s *state) SaveMessages(_ context.Context, list []pipeline.Message) (fresh []bool, err error) {
	for _, m := range list {
		_, kept := s.messages[m.ID]
		if !kept {
			s.messages[m.ID] = m
		}
		fresh = append(fresh, !kept)
	}
	return fresh, nil
}

func (s *state) SaveStatement(_ context.Context, st pipeline.StoredStatement) error {
	for _, k := range s.stmts {
		if k.Key == st.Key && k.Version == st.Version {
			return nil
		}
	}
	s.stmts = append(s.stmts, st)
	return nil
}

func (s *state) DropStatements(_ context.Context, message, key string) error {
	s.stmts = slices.DeleteFunc(s.stmts, func(st pipeline.StoredStatement) bool {
		return st.MessageID == message && (key == "" || st.Key == key)
	})
	return nil
}

func (s *state) SaveRecord(ctx context.Context, rec implant.Record) error {
	all := append([]string{rec.Patient}, rec.Aliases...)
	for _, a := range all {
		_ = s.DropRecord(ctx, a)
	}
	s.records[rec.Patient] = rec
	for _, a := range all {
		s.aliases[a] = rec.Patient
	}
	return nil
}

func (s *state) DropRecord(_ context.Context, patient string) error {
	delete(s.records, patient)
	maps.DeleteFunc(s.aliases, func(_, p string) bool { return p == patient })
	return nil
}

func (s *state) SaveVerdict(_ context.Context, v pipeline.StoredVerdict) error {
	s.verdicts[v.Referral] = v
	return nil
}

func (s *state) SaveRejected(_ context.Context, r pipeline.Rejected) error {
	s.rejects[r.ID] = r
	return nil
}

func (s *state) Queue(_ context.Context, o pipeline.Outgoing) error {
	if _, kept := s.queuedAs[o.ID]; !kept {
		o.Seq = int64(len(s.outbox) + 1)
		s.queuedAs[o.ID] = len(s.outbox)
		s.outbox = append(s.outbox, o)
	}
	return nil
}

func (s *state) Settle(_ context.Context, o pipeline.Outgoing) error {
	i, kept := s.queuedAs[o.ID]
	if !kept {
		return pipeline.ErrNotFound
	}
	k := &s.outbox[i]
	k.State, k.Attempts, k.NextTry, k.LastErr = o.State, o.Attempts, o.NextTry, o.LastErr
	return nil
}

// Parts makes every part a candidate: the simulation has few.
func (s *state) Parts(_ context.Context, _ pipeline.PartsQuery, f func(pipeline.TracedPart)) (more bool, err error) {
	for _, key := range slices.Sorted(maps.Keys(s.records)) {
		for _, p := range s.records[key].Parts {
			f(pipeline.TracedPart{Patient: key, ID: p.ID, Component: p.Component, State: p.State, Implanted: p.Implanted, Removed: p.Removed})
		}
	}
	return false, nil
}

func (s *state) Lives(_ context.Context, f func(string, registry.Life, bool) error) error {
	for _, key := range slices.Sorted(maps.Keys(s.records)) {
		lives := registry.Lives(s.records[key])
		for _, id := range slices.Sorted(maps.Keys(lives)) {
			if err := f(key, lives[id], true); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *state) Append(_ context.Context, e pipeline.Entry) (int64, error) {
	e.Seq = int64(len(s.journal) + 1)
	s.journal = append(s.journal, e)
	return e.Seq, nil
}

func (s *state) Cluster(_ context.Context, patients []string) (keys, crowded []string, err error) {
	in := map[string]bool{}
	for _, p := range patients {
		in[p] = true
	}
	for grown := true; grown; {
		grown = false
		for _, st := range s.stmts {
			if st.Person == nil {
				continue
			}
			nodes := []string{st.Key}
			for _, id := range st.Person.Identifiers {
				nodes = append(nodes, "id:"+id.System+"|"+id.Value)
			}
			for _, l := range st.Person.Links {
				nodes = append(nodes, l.Other)
			}
			touches := slices.ContainsFunc(nodes, func(n string) bool { return in[n] })
			for _, n := range nodes {
				if touches && !in[n] {
					in[n], grown = true, true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(in)), nil, nil
}

func (s *state) pick(want func(pipeline.StoredStatement) bool) (out []pipeline.StoredStatement, err error) {
	for _, st := range s.stmts {
		if want(st) {
			out = append(out, st)
		}
	}
	slices.SortFunc(out, func(a, b pipeline.StoredStatement) int {
		return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.Version.Hash, b.Version.Hash), cmp.Compare(a.Version.ID, b.Version.ID),
			a.Version.LastUpdated.Compare(b.Version.LastUpdated), a.Version.MessageTime.Compare(b.Version.MessageTime))
	})
	return out, nil
}

func (s *state) OfPatients(_ context.Context, patients []string) ([]pipeline.StoredStatement, error) {
	theirs := map[string]bool{}
	for _, st := range s.stmts {
		if st.Patient != "" && slices.Contains(patients, st.Patient) || st.Person != nil && slices.Contains(patients, st.Key) {
			theirs[st.Key] = true
		}
	}
	return s.pick(func(st pipeline.StoredStatement) bool { return theirs[st.Key] })
}

func (s *state) ByKey(_ context.Context, keys []string) ([]pipeline.StoredStatement, error) {
	return s.pick(func(st pipeline.StoredStatement) bool { return slices.Contains(keys, st.Key) })
}

func (s *state) Concerned(_ context.Context, keys []string) ([]string, error) {
	asked, patients := map[string]bool{}, map[string]bool{}
	for _, k := range keys {
		asked[k] = true
	}
	for _, st := range s.stmts {
		if st.Patient != "" && asked[st.Key] {
			patients[st.Patient] = true
		}
	}
	for grown := true; grown; {
		grown = false
		for _, st := range s.stmts {
			if !slices.ContainsFunc(st.Mentions, func(k string) bool { return asked[k] }) {
				continue
			}
			if st.Patient != "" {
				patients[st.Patient] = true
			} else if !asked[st.Key] {
				asked[st.Key], grown = true, true
			}
		}
	}
	return slices.Sorted(maps.Keys(patients)), nil
}

func (s *state) Message(_ context.Context, id string) (pipeline.Message, error) {
	m, kept := s.messages[id]
	return m, found(kept)
}

func found(kept bool) error {
	if kept {
		return nil
	}
	return pipeline.ErrNotFound
}

func (s *state) Record(_ context.Context, patient string) (implant.Record, error) {
	key, kept := s.aliases[patient]
	return s.records[key], found(kept)
}

func (s *state) Records(_ context.Context, after string, f func(implant.Record) error) error {
	for _, k := range slices.Sorted(maps.Keys(s.records)) {
		if k > after {
			if err := f(s.records[k]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *state) Verdict(_ context.Context, referral string) (pipeline.StoredVerdict, error) {
	v, kept := s.verdicts[referral]
	return v, found(kept)
}

func (s *state) Verdicts(_ context.Context, site, in string) (out []pipeline.StoredVerdict, err error) {
	for _, k := range slices.Sorted(maps.Keys(s.verdicts)) {
		if v := s.verdicts[k]; (site == "" || v.Site == site) && (in == "" || v.State == in) {
			out = append(out, v)
		}
	}
	return out, nil
}

func (s *state) Rejects(_ context.Context, in string) (out []pipeline.Rejected, err error) {
	for _, k := range slices.Sorted(maps.Keys(s.rejects)) {
		if r := s.rejects[k]; in == "" || r.State == in {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b pipeline.Rejected) int { return a.RejectedAt.Compare(b.RejectedAt) })
	return out, nil
}

func (s *state) Waiting(_ context.Context, now time.Time, limit int) (out []pipeline.Outgoing, err error) {
	first := map[string]bool{}
	for _, o := range s.outbox {
		if o.State != pipeline.OutWaiting || first[o.Order] {
			continue
		}
		first[o.Order] = true
		if !o.NextTry.After(now) && len(out) < limit {
			out = append(out, o)
		}
	}
	return out, nil
}

func (s *state) Outbox(_ context.Context, in string) (out []pipeline.Outgoing, err error) {
	for _, o := range s.outbox {
		if in == "" || o.State == in {
			out = append(out, o)
		}
	}
	return out, nil
}

func (s *state) Count(context.Context) (map[string]int64, error) {
	return map[string]int64{"messages": int64(len(s.messages)), "statements": int64(len(s.stmts))}, nil
}

func (s *state) Entries(context.Context, string, string, int64, int) ([]pipeline.Entry, error) {
	return s.journal, nil
}

func (s *state) Newest(context.Context, string) ([]pipeline.Entry, error) { return s.journal, nil }

// banners counts the banners queued for a referral at one sink.
func (s *state) banners(referral, sink string) (n int) {
	for _, o := range s.outbox {
		if o.Order == sink+"|"+referral && (sink == pipeline.SinkFHIR || strings.HasPrefix(o.To, pipeline.SubjectBanner)) {
			n++
		}
	}
	return n
}
