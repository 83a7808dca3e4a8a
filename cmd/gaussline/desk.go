package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/radiology"
	"gaussline/mapping/banner"
)

// radiologyDesk is what the departments' systems ask; guard has let the caller in.
func (a *app) radiologyDesk(guard *access.Guard, o office) http.Handler {
	d := &radiology.Desk{Service: a.service, Now: a.now, Log: a.log,
		Audit: func(r *http.Request, e access.Event) error {
			e.From = a.from(r)
			return o.audit.Note(r.Context(), e)
		},
		Caller:   func(r *http.Request) access.Caller { who, _ := guard.Who(r); return who },
		OpaqueID: func(order string) string { return o.seal.ID("order", order) }}
	return d.Handler()
}

// printNote prints the note of an order as radiology was last sent it, in a form of theirs.
func (p *program) printNote(ctx context.Context, a *app, patient, order, form, reason string) error {
	if !slices.Contains(radiology.Forms(), form) {
		return usageError{fmt.Sprintf("--as %q: want %s", form, strings.Join(radiology.Forms(), ", "))}
	}
	o, n, v, err := a.service.Note(ctx, order)
	if err != nil {
		return hintPatient(err)
	}
	if !slices.Contains(n.Record.Aliases, patient) {
		return hintPatient(fmt.Errorf("order of that patient: %w", pipeline.ErrNotFound))
	}
	body, _, err := radiology.Write(form, o, n, v.State == pipeline.VerdictWithdrawn)
	if err != nil {
		return err
	}
	if err := a.notedRecord(ctx, "order", n.Record.Patient, reason); err != nil {
		return err
	}
	_, err = p.out.Write(body)
	return err
}

// readState says in words who has read a banner, or how long it has stood unread.
func readState(v pipeline.StoredVerdict, acks map[string]pipeline.Acknowledgement, unread []pipeline.Unread) string {
	if a, ok := acks[v.Referral]; ok && a.Of(v) {
		return "read by " + a.By + " " + a.At.Format(time.RFC3339)
	}
	i := slices.IndexFunc(unread, func(u pipeline.Unread) bool { return u.Referral == v.Referral })
	if i < 0 {
		return "not read"
	}
	u := unread[i]
	s := "URGENT, NOT READ since " + u.Decided.Format(time.RFC3339)
	if u.Reminder > 0 {
		s += fmt.Sprintf(", reminder %d due", u.Reminder)
	}
	if !u.Next.IsZero() {
		s += ", next " + u.Next.Format(time.RFC3339)
	}
	if u.Graver {
		s += "; " + banner.GraverThan(u.Was)
	}
	return s
}

// listUnread lists the urgent banners that nobody has acknowledged.
func (p *program) listUnread(ctx context.Context, a *app) error {
	if err := a.noted(ctx, access.Event{Action: access.Seen, What: "worklist"}, ""); err != nil {
		return err
	}
	list, err := a.service.Unread(ctx)
	if err != nil {
		return err
	}
	var vs []pipeline.StoredVerdict
	for _, u := range list {
		vs = append(vs, u.StoredVerdict)
	}
	return p.verdictTable(vs, "no urgent banner stands unread", func(v pipeline.StoredVerdict) string { return readState(v, nil, list) })
}

// reminderMark tells a reminder from a first message, by the reason in its header.
func reminderMark(body []byte) string {
	var b struct {
		Entry []struct {
			Resource struct {
				ResourceType string
				Reason       struct {
					Coding []struct{ System, Code string }
				}
			}
		}
	}
	if json.Unmarshal(body, &b) != nil || len(b.Entry) == 0 || b.Entry[0].Resource.ResourceType != "MessageHeader" {
		return ""
	}
	for _, c := range b.Entry[0].Resource.Reason.Coding {
		if c.System == banner.System+"/CodeSystem/reason" && c.Code == banner.ReasonReminder {
			return "reminder "
		}
	}
	return ""
}
