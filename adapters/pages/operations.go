package pages

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

const maxOps = 200 // lines of each list

// refused is a reject without the words that may be a patient's.
type refused struct {
	pipeline.Rejected
	Issues   []issue
	Concerns int  // patients whose verdicts it keeps open
	MayClose bool // by who looks
}

// issue is one line of an OperationOutcome.
type issue struct {
	Severity, Code, Text, Where string
}

// issuesOf reads an OperationOutcome. The quoted value after the last colon of its diagnostics may be a patient's:
// an operator sees the reason only.
func issuesOf(outcome []byte) (out []issue) {
	var o struct {
		Issue []struct {
			Severity, Code, Diagnostics string
			Expression                  []string
		}
	}
	if json.Unmarshal(outcome, &o) != nil {
		return nil
	}
	for _, i := range o.Issue {
		reason, _, _ := strings.Cut(i.Diagnostics, ": ")
		out = append(out, issue{i.Severity, i.Code, reason, strings.Join(i.Expression, ", ")})
	}
	return out
}

func (p *pages) operations(c *call) error {
	var counts map[string]int64
	var open []refused
	var waiting, dead []pipeline.Outgoing
	err := p.Service.Store.View(c.ctx(), func(r pipeline.Reader) (err error) {
		if counts, err = r.Count(c.ctx()); err != nil {
			return err
		}
		rejects, err := r.Rejects(c.ctx(), pipeline.RejectOpen)
		if err != nil {
			return err
		}
		slices.Reverse(rejects) // newest first
		for _, x := range rejects[:min(len(rejects), maxOps)] {
			concerned, err := pipeline.Concerned(c.ctx(), r, x)
			if err != nil {
				return err
			}
			open = append(open, refused{x, issuesOf(x.Outcome), len(concerned), len(concerned) == 0 || c.maySetAside(concerned)})
		}
		if waiting, err = r.Outbox(c.ctx(), pipeline.OutWaiting); err != nil {
			return err
		}
		dead, err = r.Outbox(c.ctx(), pipeline.OutDead)
		return err
	})
	if err != nil {
		return err
	}
	backlog := int64(-1)
	if p.Service.Inbox != nil {
		if n, err := p.Service.Inbox.Backlog(c.ctx()); err == nil {
			backlog = n
		}
	}
	oldest := time.Duration(0)
	if len(waiting) > 0 {
		oldest = p.Now().Sub(waiting[0].Queued).Truncate(time.Second)
	}
	deliveries := append(dead, waiting...)
	return c.show("operations", http.StatusOK, "Operations", map[string]any{"Counts": counts, "Backlog": backlog, "Oldest": oldest, "Rejects": open,
		"Operates": c.person.May(access.Operate), "Deliveries": deliveries[:min(len(deliveries), maxOps)], "AsOf": p.Now().UTC().Format("2006-01-02 15:04:05 UTC")})
}

// maySetAside says whether the person may lift what a reject does to these patients' verdicts: they review those they see,
// and the safety officer sees to the whole house.
func (c *call) maySetAside(concerned []implant.Record) bool {
	return c.person.May(access.SetAside) && (c.person.May(access.SeeLabelling) ||
		!slices.ContainsFunc(concerned, func(rec implant.Record) bool { return !c.mine(rec) }))
}

// settleReject replays a reject, or closes it with a note.
func (p *pages) settleReject(c *call) error {
	id, note := c.r.PathValue("id"), strings.TrimSpace(c.r.PostFormValue("note"))
	if err := c.note(access.Event{Action: access.Changed, What: "reject", Object: clip(id, 80)}); err != nil {
		return err
	}
	switch c.r.PostFormValue("do") {
	case "replay":
		if _, err := p.Service.Replay(c.ctx(), id); err != nil && !errors.Is(err, pipeline.ErrSettled) {
			return err
		}
	case "close":
		if len(note) < 3 || len(note) > maxReason {
			return errBadForm
		}
		err := p.Service.CloseReject(c.ctx(), id, cmp.Or(c.person.Display, c.person.Name), note, c.maySetAside)
		if errors.Is(err, pipeline.ErrNotYours) {
			return cmp.Or(c.note(access.Event{Action: access.Changed, What: "reject", Object: clip(id, 80), Refused: true}), errNotYou)
		}
		if err != nil && !errors.Is(err, pipeline.ErrSettled) {
			return err
		}
	default:
		return errBadForm
	}
	return redirect(c, "/operations")
}
