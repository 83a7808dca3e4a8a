package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

// maxListed is how many open questions are listed; the rest is said to be there.
const maxListed = 500

// questions lists what is open on the records, and takes a person's answer.
func questions(ctx context.Context, p *program, args []string) error {
	fs := p.flags("questions")
	path := fs.String("config", "", "configuration file")
	patient := fs.String("patient", "", "patient key")
	by := fs.String("by", "", "who answers")
	reason := fs.String("reason", "", "why")
	kind := fs.String("as", "", "accept or reject; corrections are made on the review page")
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.Arg(0) == "list" {
		if err := needReason(*reason); err != nil {
			return err
		}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		switch fs.Arg(0) {
		case "list":
			if err := a.noted(ctx, access.Event{Action: access.Seen, What: "review queue", Reason: *reason}, ""); err != nil {
				return err
			}
			return p.listQuestions(ctx, a, *patient)
		case "answer":
			if *kind == pipeline.ReviewCorrect {
				return usageError{"--as: accept or reject; a correction needs the review page"}
			}
			if err := a.noted(ctx, access.Event{Action: access.Changed, What: "question", Object: fs.Arg(1)}, *by); err != nil {
				return err
			}
			err := a.service.AnswerQuestion(ctx, pipeline.Review{Patient: *patient, Question: fs.Arg(1), Kind: *kind, By: *by, Reason: *reason})
			if err == nil {
				fmt.Fprintln(p.out, "kept")
			}
			return hintPatient(err)
		}
		return usageError{"want list, or answer ID"}
	})
}

func (p *program) listQuestions(ctx context.Context, a *app, patient string) error {
	if patient != "" { // a misspelt key must not look like a record without questions
		if _, err := a.service.RecordAsOf(ctx, patient, time.Time{}, time.Time{}); err != nil {
			return hintPatient(err)
		}
	}
	pass := func(rec implant.Record) bool { return patient == "" || slices.Contains(rec.Aliases, patient) }
	asked, more, err := a.service.OpenQuestions(ctx, pass, maxListed)
	if err != nil {
		return err
	}
	for _, q := range asked {
		fmt.Fprintf(p.out, "%s  %s  %s", q.Question.ID, q.Record.Patient, banner.QuestionText(q.Question.Code))
		if q.Question.Detail != "" {
			fmt.Fprintf(p.out, " (%s)", q.Question.Detail)
		}
		for _, s := range q.Question.Sources {
			if s.Quote != "" {
				fmt.Fprintf(p.out, "\n    %s %s: %q", s.Key, s.Path, s.Quote)
			}
		}
		fmt.Fprintln(p.out)
	}
	if len(asked) == 0 {
		fmt.Fprintln(p.out, "no question is open")
	}
	if more {
		fmt.Fprintf(p.out, "and more; the first %d are listed\n", maxListed)
	}
	return nil
}
