package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

func rejected(ctx context.Context, p *program, args []string) error {
	fs := p.flags("rejected")
	path := fs.String("config", "", "configuration file")
	by := fs.String("by", "", "who dealt with it")
	note := fs.String("note", "", "how it was dealt with")
	all := fs.Bool("all", false, "list settled ones too")
	reason := fs.String("reason", "", "why it is shown, for the audit")
	if err := parse(fs, args); err != nil {
		return err
	}
	what, id := fs.Arg(0), fs.Arg(1)
	if what != "list" && id == "" {
		return usageError{"want list, show ID, replay ID or close ID"}
	}
	if what == "show" {
		if err := needReason(*reason); err != nil {
			return err
		}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		action, known := map[string]access.Action{"list": access.Seen, "show": access.Seen, "replay": access.Changed, "close": access.Changed}[what]
		if !known {
			return usageError{fmt.Sprintf("%q: want list, show, replay or close", what)}
		}
		if err := a.noted(ctx, access.Event{Action: action, What: "reject", Object: id, Reason: *reason}, *by); err != nil {
			return err
		}
		switch what {
		case "list":
			return p.listRejects(ctx, a, *all)
		case "show":
			return p.showReject(ctx, a, id)
		case "replay":
			open, err := a.service.Replay(ctx, id)
			if err == nil && open {
				fmt.Fprintln(p.out, "read again: something in it is still refused")
				return errHeld
			}
			if err == nil {
				fmt.Fprintln(p.out, "read again: nothing is refused now")
			}
			return err
		case "close":
			if *by == "" || *note == "" {
				return usageError{"--by and --note are needed: who dealt with it, and how. " + closingDoes}
			}
			return p.closeReject(ctx, a, id, *by, *note)
		}
		return nil
	})
}

// closingDoes is told before and after: closing lifts what holds a verdict back.
const closingDoes = "Closing leaves it unread for good: it no longer keeps the verdict of its patient \"not established\", and nobody has seen what it says. Close it when a person has read the original."

// closeReject closes a reject. Who runs the command owns the machine, so that no right is asked for; the name is kept.
func (p *program) closeReject(ctx context.Context, a *app, id, by, note string) error {
	var concerned []implant.Record
	err := a.service.CloseReject(ctx, id, by, note, func(recs []implant.Record) bool {
		concerned = recs
		return true
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "closed by %s: %s\n%s\n", by, note, closingDoes)
	if len(concerned) == 0 {
		fmt.Fprintln(p.out, "It kept the verdict of no known patient open.")
	}
	for _, rec := range concerned {
		fmt.Fprintf(p.out, "The record of %s says that %s set it aside; open orders are judged anew, and a superseding banner says so.\n", rec.Patient, by)
	}
	return nil
}

func (p *program) listRejects(ctx context.Context, a *app, all bool) error {
	state := pipeline.RejectOpen
	if all {
		state = ""
	}
	return a.store.View(ctx, func(r pipeline.Reader) error {
		rejects, err := r.Rejects(ctx, state)
		for _, x := range rejects {
			whose, err := rejectPatients(ctx, r, x)
			if err != nil {
				return err
			}
			fmt.Fprintf(p.out, "%s  %-8s %-12s %s  %s  %s  patient %s  %s\n", x.ID[:12], x.State, x.Sender, x.RejectedAt.Format(time.RFC3339),
				x.Step, orDash(x.Path), orDash(whose), orDash(rejectReason(x)))
			if x.Note != "" {
				fmt.Fprintf(p.out, "              settled by %s\n", x.Note)
			}
		}
		if err == nil && len(rejects) == 0 {
			fmt.Fprintln(p.out, "nothing is held")
		}
		return err
	})
}

// rejectPatients names the patients whose verdicts it keeps open; "" when there are none.
func rejectPatients(ctx context.Context, r pipeline.Reader, x pipeline.Rejected) (string, error) {
	recs, err := pipeline.Concerned(ctx, r, x)
	var keys []string
	for _, rec := range recs {
		keys = append(keys, rec.Patient)
	}
	return strings.Join(keys, ", "), err
}

// rejectReason gives the first finding: where and why, without the words concerned, which show gives.
func rejectReason(x pipeline.Rejected) string {
	var o struct {
		Issue []struct {
			Diagnostics string
			Expression  []string
		}
	}
	if json.Unmarshal(x.Outcome, &o) != nil || len(o.Issue) == 0 {
		return ""
	}
	why, _, _ := strings.Cut(o.Issue[0].Diagnostics, ": ")
	return strings.TrimPrefix(strings.Join(o.Issue[0].Expression, ", ")+": "+why, ": ")
}

// showReject prints the outcome and the resource as received. It is patient data, for the person who deals with it.
func (p *program) showReject(ctx context.Context, a *app, id string) error {
	rej, m, err := a.service.Reject(ctx, id)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "%s from %s, %s, %s\n", rej.ID, rej.Sender, rej.State, orDash(rej.Path))
	if rej.Note != "" {
		fmt.Fprintf(p.out, "settled by %s\n", rej.Note)
	}
	fmt.Fprintf(p.out, "%s\n\nas received:\n%s\n", rej.Outcome, m.Body)
	return nil
}
