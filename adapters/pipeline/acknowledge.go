package pipeline

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

const kindAck = "ack" // journal kind; the key is the order

// Acknowledgement is that somebody at radiology read a verdict, kept so that the next reader is told what changed
// since. It confirms no point and permits no scan.
type Acknowledgement struct {
	By       string // log-in name, or the name that a radiology system gives
	Display  string // as shown; "" is By
	Revision int
	Digest   string
	At       time.Time
	Verdict  json.RawMessage // as it was read
	// Decided is a decision outside the verdict that the reader noted, with who took it.
	Decided string `json:",omitempty"`
	// System is the radiology system that reported it; "" it was read on a page.
	System string `json:",omitempty"`
}

// Of says whether this is of the verdict as it stands.
func (a Acknowledgement) Of(v StoredVerdict) bool { return a.Digest == v.Digest }

// ErrSuperseded: the verdict is another than the one that was read; nothing is noted.
var ErrSuperseded = errors.New("the verdict is another than the one that was read")

// Acknowledge keeps that the verdict on an order was read, where it is still the one that read says. Revision, Digest
// and Verdict of a are set here. ErrNotFound: the order has no verdict. ErrSuperseded.
func (s *Service) Acknowledge(ctx context.Context, order string, read func(StoredVerdict) bool, a Acknowledgement) error {
	return s.Store.Update(ctx, func(tx Tx) error {
		v, err := tx.Verdict(ctx, order)
		if err != nil {
			return err
		}
		if !read(v) {
			return ErrSuperseded
		}
		a := a
		a.Revision, a.Digest, a.Verdict = v.Revision, v.Digest, v.Body
		body, err := json.Marshal(a)
		if err != nil {
			return err
		}
		_, err = tx.Append(ctx, Entry{Kind: kindAck, Key: order, Body: body, At: a.At})
		return err
	})
}

// Acknowledgements gives the newest of each order that has one.
func Acknowledgements(ctx context.Context, r Reader) (map[string]Acknowledgement, error) {
	es, err := r.Newest(ctx, kindAck)
	out := map[string]Acknowledgement{}
	for _, e := range es {
		var a Acknowledgement
		if err := json.Unmarshal(e.Body, &a); err != nil {
			return nil, err
		}
		out[e.Key] = a
	}
	return out, err
}

// Urgent says whether a banner is one to be reminded of, whatever was said before it: its verdict stops the examination
// as it is planned, or the order is more urgent than routine and something is in the body. Common practice, no source.
func Urgent(kind mri.Kind, priority string) bool {
	switch kind {
	case mri.KindUnsafe, mri.KindOutside, mri.KindNotEstablished:
		return true
	case mri.KindNothing:
		return false
	}
	return slices.Contains([]string{"urgent", "asap", "stat"}, priority) // FHIR R4, request-priority
}

// Unread is an urgent banner in force that nobody has acknowledged.
type Unread struct {
	StoredVerdict
	// Reminder is the number of the reminder that is due, 0 none yet; Next when the next one is, zero where the site
	// wants none or the last was sent.
	Reminder int
	Next     time.Time
	// Graver says that a note which a reader may still go by said less; Was is the verdict it gave, "" where that is not
	// kept.
	Graver bool
	Was    mri.Kind
}

// graver holds a verdict against those that were sent before it, from the one last read on: the mildest is what somebody
// may still go by. Of a verdict kept before the kinds of earlier ones were, with one before it that nobody is known to
// have read, it is taken to be graver.
func (u *Unread) graver(ack *Acknowledgement) error {
	kept, err := readVerdict(u.Body)
	if err != nil || u.Revision <= 1 {
		return err
	}
	said, read := kept.Said, 0
	if ack != nil {
		var a struct{ Kind mri.Kind }
		if err := json.Unmarshal(ack.Verdict, &a); err != nil {
			return fmt.Errorf("verdict as read: %w", err)
		}
		read = ack.Revision
		u.hold(a.Kind)
	}
	first := u.Revision
	if len(said) > 0 {
		first = said[0].Revision
	}
	for i, x := range said {
		if i+1 == len(said) || said[i+1].Revision > read {
			u.hold(x.Kind)
		}
	}
	if first > read+1 && mri.Kind(u.Kind) == mri.KindWithinIf { // the graver kinds are urgent in any case
		u.Graver = true
	}
	return nil
}

// hold takes in a verdict that somebody may go by.
func (u *Unread) hold(was mri.Kind) {
	if mri.Kind(u.Kind).Graver(was) && (u.Was == "" || u.Was.Graver(was)) {
		u.Graver, u.Was = true, was
	}
}

// NotRead gives a verdict as one that nobody has acknowledged since it was given, and whether it is urgent. ack is the
// newest acknowledgement of the order, nil when there is none.
func NotRead(v StoredVerdict, ack *Acknowledgement, priority string) (u Unread, urgent bool, err error) {
	u = Unread{StoredVerdict: v}
	err = u.graver(ack)
	return u, u.Graver || Urgent(mri.Kind(v.Kind), priority), err
}

// maxReminders of one banner are sent; after that only the lists show it.
const maxReminders = 24

// due counts the intervals that have passed since the verdict was decided.
func (u *Unread) due(site Site, now time.Time) {
	if site.RemindAfter <= 0 {
		return
	}
	n := max(int(now.Sub(u.Decided)/site.RemindAfter), 0)
	u.Reminder = min(n, maxReminders)
	if n < maxReminders {
		u.Next = u.Decided.Add(time.Duration(n+1) * site.RemindAfter)
	}
}

// Reminders says how many reminders are due of a verdict that nobody has acknowledged.
func (s *Service) Reminders(v StoredVerdict) int {
	u := Unread{StoredVerdict: v}
	u.due(s.siteNamed(v.Site), s.Now())
	return u.Reminder
}

// Unread lists the urgent banners in force that nobody has acknowledged, by order.
func (s *Service) Unread(ctx context.Context) (out []Unread, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		out, err = s.unread(ctx, r)
		return err
	})
	return out, err
}

func (s *Service) unread(ctx context.Context, r Reader) (out []Unread, err error) {
	all, err := r.Verdicts(ctx, "", VerdictInForce)
	if err != nil {
		return nil, err
	}
	acks, err := Acknowledgements(ctx, r)
	if err != nil {
		return nil, err
	}
	now := s.Now()
	for _, v := range all {
		var ack *Acknowledgement
		if a, ok := acks[v.Referral]; ok {
			ack = &a
		}
		if ack != nil && ack.Of(v) {
			continue
		}
		u, urgent, err := NotRead(v, ack, "")
		if err == nil && !urgent { // only then the priority decides
			var ref implant.Referral
			if ref, err = referralOf(ctx, r, v.Referral); errors.Is(err, ErrNotFound) {
				err = nil
			}
			urgent = Urgent(mri.Kind(v.Kind), ref.Priority)
		}
		if err != nil {
			return nil, err
		}
		if !urgent {
			continue
		}
		u.due(s.siteNamed(v.Site), now)
		out = append(out, u)
	}
	return out, nil
}

// Remind queues a reminder of every urgent banner that nobody has acknowledged within the site's interval, and again
// after each further one. The reminder has the note as it was sent, under a message id of its own that is the same
// however often it is queued; the header says that it is a reminder, and which. One whose banner still waits to be
// sent is left for later. It returns how many reminders are due.
func (s *Service) Remind(ctx context.Context) (due int, err error) {
	if !slices.ContainsFunc(s.Sites, func(site Site) bool { return site.RemindAfter > 0 }) {
		return 0, nil
	}
	var list []Unread
	waiting := map[string]bool{}
	err = s.Store.View(ctx, func(r Reader) error {
		if list, err = s.unread(ctx, r); err != nil {
			return err
		}
		out, err := r.Outbox(ctx, OutWaiting)
		for _, o := range out {
			waiting[o.Order] = true
		}
		return err
	})
	for _, u := range list {
		if u.Reminder == 0 || waiting[SinkNATS+"|"+u.Referral] || waiting[SinkFHIR+"|"+u.Referral] {
			continue
		}
		if err := s.Store.Update(ctx, func(tx Tx) error { return s.remind(ctx, tx, u) }); err != nil {
			return due, fmt.Errorf("reminder of %s: %w", displayKey(u.Referral), err)
		}
		due++
	}
	if due > 0 {
		s.nudge()
	}
	return due, err
}

// remind queues one reminder, unless the banner was superseded or acknowledged meanwhile.
func (s *Service) remind(ctx context.Context, tx Tx, u Unread) error {
	v, err := tx.Verdict(ctx, u.Referral)
	if err != nil || v.Revision != u.Revision || v.State != VerdictInForce {
		return err
	}
	n, st, err := s.noteOf(ctx, tx, v)
	if err != nil {
		return err
	}
	site := s.siteNamed(v.Site)
	n.Reminder, n.RemindedAt = u.Reminder, v.Decided.Add(time.Duration(u.Reminder)*site.RemindAfter)
	return s.queueBanner(ctx, tx, st, n, site, v, false)
}

// noteOf gives the note of a verdict as it was sent, and the version of the order that it is on.
func (s *Service) noteOf(ctx context.Context, r Reader, v StoredVerdict) (n banner.Note, st StoredStatement, err error) {
	kept, err := readVerdict(v.Body)
	if err != nil {
		return n, st, err
	}
	n = banner.Note{Verdict: kept.Verdict, Changes: kept.Changes, Revision: v.Revision}
	if v.State == VerdictWithdrawn {
		n.Verdict.AsOf = implant.Instant(v.Decided)
	}
	if n.Record, err = r.Record(ctx, v.Patient); err != nil {
		return n, st, err
	}
	n.Record = n.Record.AsOf(s.Now())
	all, err := r.ByKey(ctx, []string{v.Referral})
	if err != nil {
		return n, st, err
	}
	for _, i := range newShelf(all).current[v.Referral] {
		if x := all[i]; (x.Referral != nil || x.Void) && (st.Key == "" || standsBefore(x, st)) {
			st = x
		}
	}
	if st.Key == "" {
		return n, st, fmt.Errorf("order: %w", ErrNotFound)
	}
	st, err = s.withBody(ctx, r, st)
	return n, st, err
}

// Note gives what radiology was last told about an order: the note with its revision, the order, and the verdict that
// stands, which may be withdrawn. ErrNotFound: the order has no verdict.
func (s *Service) Note(ctx context.Context, order string) (o banner.Order, n banner.Note, v StoredVerdict, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		if v, err = r.Verdict(ctx, order); err != nil {
			return err
		}
		var st StoredStatement
		if n, st, err = s.noteOf(ctx, r, v); err != nil {
			return err
		}
		o = banner.Order{Key: order, FullURL: s.fullURL(order), Site: v.Site}
		if st.Referral != nil {
			o.Referral = *st.Referral
		}
		o.Raw, err = s.rawOf(ctx, r, st)
		return err
	})
	return o, n, v, err
}

// keptVerdict is a verdict as it is kept: with what changed since the revision before, and the kinds of verdict that
// were sent of the order, this one last; those kept before there were any have none.
type keptVerdict struct {
	banner.Shown
	Changes []string `json:"changes,omitempty"`
	Said    []said   `json:"said,omitempty"`
}

// said is a kind of verdict with the first revision that said it.
type said struct {
	Revision int      `json:"revision"`
	Kind     mri.Kind `json:"kind"`
}

// maxSaid bounds the kinds kept; of the oldest two the mildest stays.
const maxSaid = 32

// andNow gives what was said with a verdict that follows prior.
func (k keptVerdict) andNow(prior StoredVerdict, revision int, kind mri.Kind) []said {
	list := slices.Clone(k.Said)
	if len(list) == 0 && prior.Revision > 0 {
		list = []said{{prior.Revision, mri.Kind(prior.Kind)}}
	}
	if len(list) == 0 || list[len(list)-1].Kind != kind {
		list = append(list, said{revision, kind})
	}
	if len(list) > maxSaid {
		if list[1].Kind.Graver(list[0].Kind) {
			list[1].Kind = list[0].Kind
		}
		list[1].Revision = list[0].Revision
		list = list[1:]
	}
	return list
}

func readVerdict(body []byte) (k keptVerdict, err error) {
	if err := json.Unmarshal(body, &k); err != nil {
		return k, fmt.Errorf("verdict in force: %w", err)
	}
	return k, nil
}
