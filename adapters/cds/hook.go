package cds

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"

	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/intake"
)

// call answers a hook: a card for each draft order that is, or could be, an MR that may still be done.
func (s *Service) call(w http.ResponseWriter, r *http.Request, client Client) error {
	d, ok := definitionOf(r.PathValue("id"))
	if !ok {
		return failure{http.StatusNotFound, "no such service"}
	}
	var q request
	if err := readJSON(r, &q); err != nil {
		return err
	}
	if err := q.check(d); err != nil {
		return err
	}
	drafts := q.drafts(d.Hook)
	left := max(0, len(drafts)-maxDrafts)
	drafts = drafts[:len(drafts)-left]
	var asked []order
	patient := client.Sender + "|Patient/" + q.Context.PatientID
	look := s.look(r, client, patient)
	defer look.end()
	for _, dr := range drafts {
		if o := readDraft(client, dr); o.referral.MR != implant.No && o.referral.Open() {
			asked = append(asked, o)
			look.begin() // the record will be shown: the audit is written while the other drafts are read
		}
	}
	a := answer{service: s, hook: d.Hook, instance: q.HookInstance, at: s.Now(), Cards: []card{}}
	if len(asked) > 0 || left > 0 {
		look.begin()
		s.about(look, &a, &q, client, patient, asked)
	}
	if left > 0 {
		a.plain("many-drafts", "warning", "More draft orders than are looked at: implants not considered for all",
			fmt.Sprintf("%d draft orders were not looked at. Ask for fewer at a time, or check the implant record for each.", left))
	}
	return writeJSON(w, a)
}

// about answers the orders from the record while the audit is written, and gives the answer out only once it is. No
// failure ends in silence: an answer without cards would read as "nothing known".
func (s *Service) about(look *look, a *answer, q *request, client Client, patient string, asked []order) {
	err := s.fromRecord(look.ctx, a, q, client, patient, asked)
	if noteErr := look.noted(); err == nil {
		err = noteErr
	}
	if err != nil {
		if s.Log != nil {
			s.Log.Error("cds: record not read, or the audit not written", zap.Error(err))
		}
		a.Cards, a.SystemActions = []card{}, nil
		a.plain("no-answer", "critical", "The implant record could not be read: treat the MR status as NOT ESTABLISHED",
			"The implant record did not answer. That says nothing about implants. Ask again, or find out by other means before an MR.")
	}
}

// look is one look into a record: the time it may take and its line in the audit, both from when it is sure to come.
type look struct {
	begin  func() // what comes after the first time does nothing
	ctx    context.Context
	cancel context.CancelFunc
	done   chan error // of the audit
}

func (s *Service) look(r *http.Request, client Client, patient string) *look {
	l := &look{cancel: func() {}, done: make(chan error, 1)}
	l.begin = sync.OnceFunc(func() {
		l.ctx, l.cancel = context.WithTimeout(r.Context(), cmp.Or(max(s.Wait, 0), defaultWait))
		if s.Audit == nil {
			l.done <- nil
			return
		}
		r := r.WithContext(l.ctx)
		go func() { l.done <- s.Audit(r, client.Sender, patient) }()
	})
	return l
}

// noted waits for the audit, as long as the request may take.
func (l *look) noted() error {
	select {
	case err := <-l.done:
		return err
	case <-l.ctx.Done():
		return l.ctx.Err()
	}
}

func (l *look) end() { l.cancel() }

// fromRecord finds the record once and makes the card of every order.
func (s *Service) fromRecord(ctx context.Context, a *answer, q *request, client Client, patient string, asked []order) error {
	rec, err := s.Records.Record(ctx, patient)
	unknown := errors.Is(err, pipeline.ErrNotFound)
	switch {
	case unknown:
		rec = implant.Record{Patient: patient}
	case err != nil:
		return err
	}
	failed := unseenDevices(client, q, &rec)
	for _, o := range asked {
		if o.patient != "" && o.patient != patient && !slices.Contains(rec.Aliases, o.patient) {
			a.plain("other-patient/"+o.ref, "critical", "A draft order names another patient than the session: no implant answer is given for it",
				"The order's subject is not the patient of this session. Correct the order and ask again.")
			continue
		}
		var remarks []string
		if unknown {
			remarks = append(remarks, "No implant record is kept for this patient. That says nothing about implants.")
		}
		if failed {
			remarks = append(remarks, "The ordering system could not give its own list of devices.")
		}
		a.order(o, banner.Note{Verdict: s.Records.Verdict(rec, o.referral), Record: rec, Revision: 1}, unknown, remarks)
	}
	return nil
}

// order is a draft as it was read.
type order struct {
	draft
	referral implant.Referral
	patient  string // key of its subject, "" not stated
}

// readDraft reads a draft order as intake reads one that is sent. One that cannot be read could be an MR.
func readDraft(client Client, d draft) order {
	o := order{draft: d, referral: implant.Referral{Status: "draft", MR: implant.Maybe}}
	msg, err := fhirjson.Split(d.raw, fhirjson.DefaultLimits())
	if err != nil || len(msg.Entries) != 1 {
		return o
	}
	e := msg.Entries[0]
	res, _, err := fhirjson.Decode(e)
	if err != nil {
		return o
	}
	env := intake.Envelope{Sender: client.Sender, Base: client.Base, Kind: "resource"}
	for _, st := range intake.Read(env, []intake.Item{{Type: e.Type, ID: e.ID, Resource: res}}) {
		if st.Referral != nil {
			return order{draft: d, referral: *st.Referral, patient: st.Patient}
		}
	}
	return o
}

// unseenDevices puts an open question on the record when the ordering system names devices that the record has not
// seen: then it is not known what is in the body. failed says that the list could not be fetched, which says nothing.
func unseenDevices(client Client, q *request, rec *implant.Record) (failed bool) {
	ids, state := q.devices()
	n := 0
	for _, id := range ids {
		key := client.Sender + "|Device/" + id
		if !slices.ContainsFunc(rec.Parts, func(p implant.Part) bool { return slices.Contains(p.Refs, key) }) {
			n++
		}
	}
	if n > 0 {
		rec.Questions = append(slices.Clone(rec.Questions), implant.Question{ID: "devices-of-the-ordering-system", Code: implant.AskDeviceMissing, MR: true,
			Detail: fmt.Sprintf("%d devices of the ordering system are not on this record", n)})
	}
	return state == "failed"
}
