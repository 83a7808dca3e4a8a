package pipeline

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
	"gaussline/mapping/mri"
)

// settleReferrals gives every referral of the patient its verdict, and queues what radiology must be sent: a
// banner, a superseding one, a withdrawal, or the referral passed on as it came.
func (s *Service) settleReferrals(ctx context.Context, tx decider, rec implant.Record, stored []StoredStatement) error {
	orders, unread := map[string]StoredStatement{}, map[string]bool{}
	for _, st := range stored { // of each order the version that stands for it
		if st.Type != "ServiceRequest" {
			continue
		}
		if st.Referral == nil && !st.Void { // unread: the record says so, and the version before it stands
			unread[st.Key] = true
			continue
		}
		if old, ok := orders[st.Key]; !ok || standsBefore(st, old) {
			orders[st.Key] = st
		}
	}
	keys := make([]string, 0, len(orders))
	for k := range orders {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		st := orders[k]
		if unread[k] && st.Referral != nil {
			r := intake.BeforeUnread(*st.Referral)
			st.Referral = &r
		}
		if err := s.settleReferral(ctx, tx, rec, st); err != nil {
			return fmt.Errorf("referral %s: %w", displayKey(k), err)
		}
	}
	return nil
}

// owed says whether a version of an order asks for a verdict.
func owed(st StoredStatement) bool {
	return !st.Void && st.Referral != nil && st.Referral.Open() && st.Referral.MR != implant.No
}

// standsBefore chooses between versions that nothing orders: one that is owed a verdict, then one that is not void,
// then by hash. The question on the record warns.
func standsBefore(a, b StoredStatement) bool {
	switch {
	case owed(a) != owed(b):
		return owed(a)
	case a.Void != b.Void:
		return !a.Void
	}
	return a.Version.Hash > b.Version.Hash
}

func (s *Service) settleReferral(ctx context.Context, tx decider, rec implant.Record, st StoredStatement) error {
	rec = rec.AsOf(s.Now())
	prior, err := tx.Verdict(ctx, st.Key)
	had := err == nil
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	inForce := had && prior.State == VerdictInForce
	switch {
	case owed(st):
		return s.decide(ctx, tx, rec, st, prior)
	case inForce:
		return s.withdraw(ctx, tx, rec, st, prior)
	case !st.Void && !had:
		return s.passOn(ctx, tx, st)
	}
	return nil
}

// decide settles the verdict of an open MR order and queues its banner when a reader would see a difference.
func (s *Service) decide(ctx context.Context, tx decider, rec implant.Record, st StoredStatement, prior StoredVerdict) error {
	site, named := s.addressed(*st.Referral)
	v := s.Verdict(rec, *st.Referral, site.Name, false)
	digest, err := digestOf(v, rec, st)
	if err != nil {
		return err
	}
	if prior.Digest == digest && prior.State == VerdictInForce {
		return nil
	}
	n := banner.Note{Verdict: v, Record: rec, Revision: prior.Revision + 1}
	var before keptVerdict
	if prior.Revision > 0 {
		if before, err = readVerdict(prior.Body); err != nil {
			return err
		}
		n.Changes = banner.Changes(before.Shown, v, rec)
	}
	body, err := json.Marshal(keptVerdict{banner.Show(v, rec), n.Changes, before.andNow(prior, n.Revision, v.Kind)})
	if err != nil {
		return err
	}
	now := s.Now().UTC().Truncate(time.Microsecond)
	next := StoredVerdict{Referral: st.Key, Patient: rec.Patient, Site: site.Name, Revision: n.Revision, Digest: digest,
		State: VerdictInForce, Kind: string(v.Kind), Body: body, Decided: now}
	if err := tx.SaveVerdict(ctx, next); err != nil {
		return err
	}
	s.Meter.Decided(next.Kind)
	if !named {
		s.Meter.Unmatched(site.Name)
	}
	if site.Name == unassigned {
		s.Log.Error("a banner is queued that no radiology site reads: the order names none, and there is no fallback site")
	}
	if prior.State == VerdictInForce && prior.Site != site.Name {
		if err := s.takeBack(ctx, tx, rec, st, prior, now); err != nil {
			return err
		}
	}
	return s.queueBanner(ctx, tx, st, n, site, next, false)
}

// Verdict is the verdict on an order for what is known now. With trace it explains every condition.
func (s *Service) Verdict(rec implant.Record, r implant.Referral, site string, trace bool) mri.Verdict {
	k := s.Knowledge()
	pol := k.Policy
	pol.Site, pol.Trace = site, trace
	return mri.Decide(rec, mri.ExamOf(r), k.Labels, k.Scanners, pol, s.Now().UTC())
}

// digestOf hashes what a reader of the banner would see, but for the moment it was made.
func digestOf(v mri.Verdict, rec implant.Record, st StoredStatement) (string, error) {
	v.AsOf = ""
	b, err := json.Marshal(struct {
		Verdict   mri.Verdict
		Parts     []implant.Part
		Questions []implant.Question
		Order     string
		Answered  []implant.Answered `json:",omitempty"` // not there: as before there were any
	}{v, rec.Parts, rec.Questions, st.Version.Hash, rec.Answered})
	return hashOf(b), err
}

func (s *Service) withdraw(ctx context.Context, tx decider, rec implant.Record, st StoredStatement, prior StoredVerdict) error {
	kept, err := readVerdict(prior.Body)
	if err != nil {
		return err
	}
	v, now := kept.Verdict, s.Now().UTC().Truncate(time.Microsecond)
	v.AsOf = implant.Instant(now)
	prior.State, prior.Revision, prior.Decided = VerdictWithdrawn, prior.Revision+1, now
	prior.Digest = hashOf([]byte("withdrawn\x00" + st.Version.Hash))
	if err := tx.SaveVerdict(ctx, prior); err != nil {
		return err
	}
	s.Meter.Decided(VerdictWithdrawn)
	n := banner.Note{Verdict: v, Record: rec, Revision: prior.Revision}
	return s.queueBanner(ctx, tx, st, n, s.siteNamed(prior.Site), prior, true)
}

// takeBack tells the site that an order was moved away from that its banner no longer holds. The verdict itself lives
// on at the new site.
func (s *Service) takeBack(ctx context.Context, tx decider, rec implant.Record, st StoredStatement, prior StoredVerdict, now time.Time) error {
	kept, err := readVerdict(prior.Body)
	if err != nil {
		return err
	}
	v := kept.Verdict
	v.AsOf = implant.Instant(now)
	prior.Revision, prior.Decided, prior.Digest = prior.Revision+1, now, hashOf([]byte("moved\x00"+st.Version.Hash))
	return s.queueBanner(ctx, tx, st, banner.Note{Verdict: v, Record: rec, Revision: prior.Revision}, s.siteNamed(prior.Site), prior, true)
}

func (s *Service) queueBanner(ctx context.Context, tx decider, st StoredStatement, n banner.Note, site Site, v StoredVerdict, withdrawn bool) error {
	st, err := s.withBody(ctx, tx, st)
	if err != nil {
		return err
	}
	raw, err := s.rawOf(ctx, tx, st)
	if err != nil {
		return err
	}
	o := banner.Order{Key: st.Key, FullURL: s.fullURL(st.Key), Raw: raw, Site: site.Name}
	if st.Referral != nil {
		o.Referral = *st.Referral
	}
	body, err := banner.Bundle(o, n, v.Decided, withdrawn)
	if err != nil {
		return err
	}
	what := fmt.Sprintf("%d\x00%s", v.Revision, v.Digest)
	if n.Reminder > 0 {
		what += fmt.Sprintf("\x00reminder %d", n.Reminder)
	}
	return s.queueTo(ctx, tx, site, st.Key, what, SubjectBanner, body)
}

// queueTo queues a body for every sink of a site.
func (s *Service) queueTo(ctx context.Context, tx decider, site Site, order, what, subject string, body []byte) error {
	sinks := map[string]string{SinkNATS: subject + site.Name}
	if site.FHIR {
		sinks[SinkFHIR] = site.Name
	}
	for _, sink := range []string{SinkNATS, SinkFHIR} {
		to, ok := sinks[sink]
		if !ok {
			continue
		}
		out := Outgoing{ID: hashOf([]byte(order + "\x00" + what + "\x00" + sink + "\x00" + to)), Order: sink + "|" + order,
			Sink: sink, To: to, Body: body, Queued: s.Now(), NextTry: s.Now(), State: OutWaiting}
		if err := tx.Queue(ctx, out); err != nil {
			return err
		}
	}
	return nil
}

// passOn sends a referral that needs no banner on as it came.
func (s *Service) passOn(ctx context.Context, tx decider, st StoredStatement) error {
	raw, err := s.rawOf(ctx, tx, st)
	if err != nil {
		return err
	}
	return s.queueTo(ctx, tx, s.SiteOf(*st.Referral), st.Key, "as received\x00"+st.Version.Hash, SubjectReferral, raw)
}

// rawOf gives the bytes of a resource as received.
func (s *Service) rawOf(ctx context.Context, r messageReader, st StoredStatement) ([]byte, error) {
	m, err := r.Message(ctx, st.MessageID)
	if err != nil {
		return nil, fmt.Errorf("received bytes: %w", err)
	}
	if st.Offset < 0 || st.Length <= 0 || st.Offset+st.Length > len(m.Body) {
		return nil, fmt.Errorf("received bytes: span %d+%d outside a message of %d bytes", st.Offset, st.Length, len(m.Body))
	}
	return m.Body[st.Offset : st.Offset+st.Length], nil
}

// withBody gives the statement itself, or the newest version of the order that has a body where this one has none
// (deleted or entered in error at its sender).
func (s *Service) withBody(ctx context.Context, r statementReader, st StoredStatement) (StoredStatement, error) {
	if st.Referral != nil {
		return st, nil
	}
	all, err := r.ByKey(ctx, []string{st.Key})
	if err != nil {
		return st, err
	}
	all = slices.DeleteFunc(all, func(x StoredStatement) bool { return x.Referral == nil })
	shelf := newShelf(all)
	if is := shelf.current[st.Key]; len(is) > 0 {
		return all[is[len(is)-1]], nil
	}
	return st, nil
}

// fullURL says where a resource lives at its sender, for Bundle.entry.fullUrl.
func (s *Service) fullURL(key string) string {
	sender, name, ok := strings.Cut(key, "|")
	switch {
	case !ok:
		return key
	case strings.HasPrefix(name, "urn:"):
		return name
	case s.Reader.Bases[sender] != "":
		return strings.TrimSuffix(s.Reader.Bases[sender], "/") + "/" + name
	}
	return "http://" + sender + ".invalid/fhir/" + name
}

func (s *Service) siteNamed(name string) Site {
	for _, site := range s.Sites {
		if site.Name == name {
			return site
		}
	}
	return Site{Name: name}
}

// Redecide settles the verdict of every open referral anew: after a new labelling edition, a change of scanners,
// or because a day has passed and a healing time with it.
func (s *Service) Redecide(ctx context.Context) error {
	var open []StoredVerdict
	err := s.Store.View(ctx, func(r Reader) (err error) {
		open, err = r.Verdicts(ctx, "", VerdictInForce)
		return err
	})
	if err != nil {
		return err
	}
	for len(open) > 0 {
		n := min(len(open), redecideBatch)
		var patients []string
		for _, v := range open[:n] {
			patients = append(patients, v.Patient)
		}
		if err := s.Store.Update(ctx, func(tx Tx) error { return s.refold(ctx, tx, patients) }); err != nil {
			return err
		}
		open = open[n:]
	}
	s.nudge()
	return nil
}

// redecideBatch is how many referrals one transaction settles anew.
const redecideBatch = 50
