package simtest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/pipeline/model"
	"gaussline/mapping/implant"
)

// always holds after every step. The numbers are those of PROTOCOL.md.
func (w *world) always(acked map[string]bool) error {
	d := w.store.disk
	inInbox := map[string]bool{}
	for _, e := range w.inbox.entries {
		if !e.acked {
			inInbox[e.m.ID] = true
		} else if _, kept := d.Received[e.m.ID]; !kept && !inInbox[e.m.ID] {
			return fmt.Errorf("I2: %s was acknowledged to the inbox and is not in the record", w.name(e.m.ID))
		}
	}
	for _, id := range slices.Sorted(maps.Keys(acked)) {
		if _, kept := d.Received[id]; acked[id] && !kept && !inInbox[id] {
			return fmt.Errorf("I1: %s was acknowledged to its sender and is nowhere", w.name(id))
		}
	}
	for _, o := range w.sink.got {
		i, queued := d.QueuedAs[o.ID]
		if !queued {
			return fmt.Errorf("I6: radiology has %d of %s, which the record does not know", o.Seq, o.Order)
		}
		if !bytes.Equal(d.Queued[i].Body, o.Body) || d.Queued[i].To != o.To {
			return fmt.Errorf("I7: %d of %s came with another body under the same id", o.Seq, o.Order)
		}
	}
	for _, o := range d.Queued {
		if o.State == pipeline.OutSent && !w.sink.has(o.ID) {
			return fmt.Errorf("I5: %d of %s is marked as sent and radiology never had it", o.Seq, o.Order)
		}
	}
	if err := w.causes(); err != nil {
		return err
	}
	return w.inOrder()
}

// causes: every banner in the outbox has its revision of a verdict, every revision its banner, every notice its reject.
func (w *world) causes() error {
	d := w.store.disk
	referrals := map[string]bool{}
	for _, o := range d.Queued {
		_, key, _ := strings.Cut(o.Order, "|")
		if reject, ok := strings.CutPrefix(o.Order, "rejected|"); ok {
			if _, kept := d.Refused[reject]; !kept {
				return fmt.Errorf("I4: a notice is queued for a reject that is not kept")
			}
			continue
		}
		if !slices.ContainsFunc(d.Stated, func(st pipeline.StoredStatement) bool { return st.Key == key }) {
			return fmt.Errorf("I4: something is queued for %s, of which nothing is kept", key)
		}
		referrals[key] = true
	}
	for key := range d.Decided {
		referrals[key] = true
	}
	for _, key := range slices.Sorted(maps.Keys(referrals)) {
		v := d.Decided[key]
		if n := banners(d, key, pipeline.SinkNATS); n != v.Revision {
			return fmt.Errorf("I4: %s is at revision %d and %d banners were queued", key, v.Revision, n)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(referrals)) {
		want := 0 // rows for the endpoint of site north, which has one; harbour has none
		for _, o := range queuedFor(d, pipeline.SinkNATS+"|"+key) {
			if strings.HasSuffix(o.To, ".north") {
				want++
			}
		}
		if n := len(queuedFor(d, pipeline.SinkFHIR+"|"+key)); n != want {
			return fmt.Errorf("I4: of %s, %d messages were queued for the endpoint and %d for the subject", key, n, want)
		}
	}
	for id := range d.Refused {
		if n := len(queuedFor(d, "rejected|"+id)); n != 1 {
			return fmt.Errorf("I4: a reject has %d notices", n)
		}
	}
	return nil
}

func queuedFor(d *model.Model, order string) (out []pipeline.Outgoing) {
	for _, o := range d.Queued {
		if o.Order == order {
			out = append(out, o)
		}
	}
	return out
}

// inOrder: of each order, what radiology got for the first time came in the order it was queued.
func (w *world) inOrder() error {
	last, seen := map[string]int64{}, map[string]bool{}
	for _, o := range w.sink.got {
		if seen[o.ID] {
			continue // a copy, known by its id
		}
		seen[o.ID] = true
		if o.Seq < last[o.Order] {
			return fmt.Errorf("I8: of %s, %d came after %d", o.Order, o.Seq, last[o.Order])
		}
		last[o.Order] = o.Seq
	}
	return nil
}

// finally holds when everything has come to rest.
func (w *world) finally(ms []message, k pipeline.Knowledge) error {
	ctx, d := context.Background(), w.store.disk
	if len(d.Received) != len(ms) {
		return fmt.Errorf("I3: %d messages sent, %d kept", len(ms), len(d.Received))
	}
	seen := map[string]bool{}
	for _, st := range d.Stated {
		id := fmt.Sprint(st.Key, st.Version)
		if seen[id] {
			return fmt.Errorf("I3: a version of %s is kept twice", st.Key)
		}
		seen[id] = true
	}
	for _, o := range d.Queued {
		refused := w.refuses && strings.HasPrefix(o.To, pipeline.SubjectReferral)
		if o.State != pipeline.OutSent && !(o.State == pipeline.OutDead && refused) {
			return fmt.Errorf("I5: %d of %s is %s at the end", o.Seq, o.Order, o.State)
		}
	}
	if err := w.rejects(ms); err != nil {
		return err
	}
	// The same messages, once each, in the order of the list, into an empty record without any fault.
	plain := newWorld(0, broken{}, k)
	plain.paused, plain.clock, plain.nodes = true, w.clock, plain.nodes[:1]
	for _, m := range ms {
		msg := d.Received[pipeline.MessageID(sender, m.body)]
		r, cached := readings.Load(msg.ID)
		if !cached {
			r = plain.nodes[0].Reader.Read(msg)
			readings.Store(msg.ID, r)
		}
		if err := plain.nodes[0].Commit(ctx, []pipeline.Reading{r.(pipeline.Reading)}); err != nil {
			return err
		}
	}
	if a, b := said(d), said(plain.store.disk); a != b {
		return fmt.Errorf("I3: the record differs from that of an undisturbed run\n got %s\nwant %s", a, b)
	}
	return nil
}

// readings are those of undisturbed runs: the same few messages occur in many seeds.
var readings sync.Map

// rejects: a message that cannot be read has one open reject and marks its patient; nothing else is open.
func (w *world) rejects(ms []message) error {
	d := w.store.disk
	open := map[string]pipeline.Rejected{}
	for _, r := range d.Refused {
		if r.State != pipeline.RejectOpen {
			continue
		}
		if _, twice := open[r.MessageID]; twice {
			return fmt.Errorf("I9: %s is rejected twice", w.name(r.MessageID))
		}
		open[r.MessageID] = r
	}
	for _, m := range ms {
		r, isOpen := open[pipeline.MessageID(sender, m.body)]
		if isOpen != m.broken {
			return fmt.Errorf("I9: %s: open reject %v", m.name, isOpen)
		}
		if isOpen && !slices.ContainsFunc(d.Stated, func(st pipeline.StoredStatement) bool {
			return st.Key == r.Key && slices.ContainsFunc(st.Facts, func(f implant.Fact) bool { return f.Kind == implant.Unread })
		}) {
			return fmt.Errorf("I9: %s is rejected and its patient is not marked", m.name)
		}
	}
	return nil
}

// said is what readers of the record and of radiology see: records, and verdicts in force without their revision.
func said(d *model.Model) string {
	type verdict struct{ Referral, Patient, Site, Digest, Kind string }
	var out struct {
		Records  map[string]implant.Record
		Verdicts []verdict
	}
	out.Records = d.Folded
	vs, _ := d.Verdicts(context.Background(), "", pipeline.VerdictInForce)
	for _, v := range vs {
		out.Verdicts = append(out.Verdicts, verdict{v.Referral, v.Patient, v.Site, v.Digest, v.Kind})
	}
	b, _ := json.MarshalIndent(out, "", " ")
	return string(b)
}

// banners counts the banners queued for a referral at one sink.
func banners(d *model.Model, referral, sink string) (n int) {
	for _, o := range d.Queued {
		if o.Order == sink+"|"+referral && (sink == pipeline.SinkFHIR || strings.HasPrefix(o.To, pipeline.SubjectBanner)) {
			n++
		}
	}
	return n
}
