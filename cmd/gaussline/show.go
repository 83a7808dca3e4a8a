package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// withStore opens the store of a configuration for a command and closes it after.
func (p *program) withStore(ctx context.Context, path string, f func(*app) error) (err error) {
	cfg, err := loadConfig(path, p.env)
	if err != nil {
		return err
	}
	log, err := p.quiet()
	if err != nil {
		return err
	}
	a, err := openApp(ctx, cfg, log, time.Now, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close(ctx)) }()
	return f(a)
}

func showRecord(ctx context.Context, p *program, args []string) error {
	fs := p.flags("record")
	path := fs.String("config", "", "configuration file")
	on := fs.String("on", "", "state on this day, YYYY-MM-DD")
	known := fs.String("known", "", "as known on this day, YYYY-MM-DD")
	asJSON := fs.Bool("json", false, "print JSON")
	reason := fs.String("reason", "", "why, for the audit")
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return usageError{"one patient key is needed, such as hillside|Patient/p01 or id:SYSTEM|VALUE"}
	}
	if err := needReason(*reason); err != nil {
		return err
	}
	onDay, err := dayFlag("on", *on)
	if err != nil {
		return err
	}
	knownDay, err := dayFlag("known", *known)
	if err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		rec, err := a.service.RecordAsOf(ctx, fs.Arg(0), onDay, knownDay)
		if err != nil {
			return hintPatient(err)
		}
		if err := a.notedRecord(ctx, "record", rec.Patient, *reason); err != nil {
			return err
		}
		if *asJSON {
			fmt.Fprint(p.errOut, notToday(*on, *known))
			return p.printJSON(rec)
		}
		fmt.Fprint(p.out, notToday(*on, *known))
		p.printRecord(rec)
		return nil
	})
}

// notToday heads a record that is not today's: nobody may take it for what is in the body now.
func notToday(on, known string) string {
	var words []string
	if on != "" {
		words = append(words, "state on "+on)
	}
	if known != "" {
		words = append(words, "as known on "+known+"; what came later is left out")
	}
	if len(words) == 0 {
		return ""
	}
	return "NOT AS OF TODAY: " + strings.Join(words, ", ") + ".\n"
}

func hintPatient(err error) error {
	if errors.Is(err, pipeline.ErrNotFound) {
		return hinted{err, "no record does not mean no implant; keys look like SENDER|Patient/ID or id:SYSTEM|VALUE"}
	}
	return err
}

// dayFlag reads a day and gives the end of it.
func dayFlag(name, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return d, usageError{fmt.Sprintf("--%s %q: want YYYY-MM-DD", name, s)}
	}
	return d.AddDate(0, 0, 1), nil
}

func (p *program) printJSON(v any) error {
	e := json.NewEncoder(p.out)
	e.SetIndent("", " ")
	return e.Encode(v)
}

func (p *program) printRecord(rec implant.Record) {
	fmt.Fprintf(p.out, "Implant record of %s (%d sources, newest %s)\n", strings.Join(rec.Aliases, " = "), rec.Statements, orDash(string(rec.LastStated)))
	section := func(title string, lines []string) {
		if len(lines) > 0 {
			fmt.Fprintf(p.out, " %s\n", title)
		}
		for _, l := range lines {
			fmt.Fprintf(p.out, "  - %s\n", l)
		}
	}
	section("In the body, as recorded", banner.Parts(rec, true))
	section("Out of the body, as recorded", banner.Parts(rec, false))
	if len(rec.Parts) == 0 {
		fmt.Fprintln(p.out, "  nothing is recorded; this does not mean that there is nothing")
	}
	section("What happened", banner.Events(rec))
	section("Open questions", banner.Questions(rec))
	section("Settled by a person", banner.Answers(rec))
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func explain(ctx context.Context, p *program, args []string) error {
	fs := p.flags("explain")
	path := fs.String("config", "", "configuration file")
	patient := fs.String("patient", "", "patient key")
	order := fs.String("order", "", "order key")
	reason := fs.String("reason", "", "why, for the audit")
	form := fs.String("as", "", "print the note as radiology has it, in a form of theirs, in place of the reasoning")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *patient == "" || *order == "" {
		return usageError{"--patient and --order are needed"}
	}
	if err := needReason(*reason); err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if *form != "" {
			return p.printNote(ctx, a, *patient, *order, *form, *reason)
		}
		rec, ref, v, err := a.service.Explain(ctx, *patient, *order)
		if err != nil {
			return hintPatient(err)
		}
		if err := a.notedRecord(ctx, "order", rec.Patient, *reason); err != nil {
			return err
		}
		fmt.Fprintf(p.out, "Order %s: %s (MR: %s, %s)\n\n", *order, orDash(ref.Text), ref.MR, orDash(ref.MRWhy))
		n := banner.Note{Verdict: v, Record: rec, Revision: 1}
		fmt.Fprintln(p.out, banner.Plain(n))
		p.printRecord(rec)
		fmt.Fprintln(p.out, "\nWho says so:")
		for _, l := range banner.Evidence(n) {
			fmt.Fprintf(p.out, "  - %s\n", l)
		}
		p.printTrace(v)
		return nil
	})
}

func (p *program) printTrace(v mri.Verdict) {
	fmt.Fprintln(p.out, "\nEvery condition against every piece of evidence:")
	for _, l := range v.Trace {
		fmt.Fprintf(p.out, "  %-8s %-22s %s\n", l.Truth, banner.Element(l.Code), traceWords(l))
	}
}

func traceWords(l mri.TraceLine) string {
	var w []string
	for _, x := range [][2]string{{"scanner ", l.Scanner}, {"set ", l.Set}, {"label ", l.Label}, {"edition ", l.Edition}, {"seen ", l.Seen}, {"part ", l.Part}} {
		if x[1] != "" {
			w = append(w, x[0]+x[1])
		}
	}
	if l.ToConfirm {
		w = append(w, "to confirm at the scanner")
	}
	return strings.Join(w, "; ")
}

func listVerdicts(ctx context.Context, p *program, args []string) error {
	fs := p.flags("verdicts")
	path := fs.String("config", "", "configuration file")
	site := fs.String("site", "", "radiology site; empty: all")
	if err := parse(fs, args); err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if err := a.knownSite(ctx, *site); err != nil {
			return err
		}
		if err := a.noted(ctx, access.Event{Action: access.Seen, What: "worklist"}, ""); err != nil {
			return err
		}
		unread, err := a.service.Unread(ctx)
		if err != nil {
			return err
		}
		return a.store.View(ctx, func(r pipeline.Reader) error {
			acks, err := pipeline.Acknowledgements(ctx, r)
			if err != nil {
				return err
			}
			vs, err := r.Verdicts(ctx, *site, pipeline.VerdictInForce)
			if err != nil {
				return err
			}
			return p.verdictTable(vs, "no open MR order has a verdict; that says nothing of orders not read yet", func(v pipeline.StoredVerdict) string { return readState(v, acks, unread) })
		})
	})
}

// verdictTable lists verdicts as people read them, or says that there are none.
func (p *program) verdictTable(vs []pipeline.StoredVerdict, none string, read func(pipeline.StoredVerdict) string) error {
	if len(vs) == 0 {
		fmt.Fprintln(p.out, none)
		return nil
	}
	w := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "Site\tOrder\tRevision\tDecided\tVerdict\tRead")
	for _, v := range vs {
		fmt.Fprintf(w, "%s\t%s\t%d\t%s\t%s\t%s\n", v.Site, v.Referral, v.Revision, v.Decided.Format(time.DateOnly), banner.Headline(mri.Kind(v.Kind)), read(v))
	}
	return w.Flush()
}

// knownSite refuses a site that neither the configuration nor a verdict names: its list would look like good news.
func (a *app) knownSite(ctx context.Context, site string) error {
	var names []string
	for _, s := range a.cfg.Sites {
		names = append(names, s.Name)
	}
	if site == "" || slices.Contains(names, site) {
		return nil
	}
	var vs []pipeline.StoredVerdict
	err := a.store.View(ctx, func(r pipeline.Reader) (err error) {
		vs, err = r.Verdicts(ctx, site, "")
		return err
	})
	if err == nil && len(vs) == 0 {
		err = usageError{fmt.Sprintf("--site %q: want one of %s", site, strings.Join(names, ", "))}
	}
	return err
}

func deliveries(ctx context.Context, p *program, args []string) error {
	fs := p.flags("deliveries")
	path := fs.String("config", "", "configuration file")
	state := fs.String("state", "", "waiting, sent or dead; empty: all")
	unread := fs.Bool("unread", false, "urgent banners that nobody has acknowledged")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *unread && *state != "" {
		return usageError{"--unread lists banners and --state messages: one of them"}
	}
	states := []string{pipeline.OutWaiting, pipeline.OutSent, pipeline.OutDead}
	if *state != "" && !slices.Contains(states, *state) {
		return usageError{fmt.Sprintf("--state %q: want one of %s", *state, strings.Join(states, ", "))}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if *unread {
			return p.listUnread(ctx, a)
		}
		return a.store.View(ctx, func(r pipeline.Reader) error {
			out, err := r.Outbox(ctx, *state)
			if err == nil && len(out) == 0 {
				fmt.Fprintln(p.out, "no outgoing message is "+cmp.Or(*state, "kept"))
			}
			for _, o := range out {
				fmt.Fprintf(p.out, "%-8s %-5s %-36s tries %-3d queued %s %s %s%s\n", o.State, o.Sink, o.To, o.Attempts, o.Queued.Format(time.RFC3339), o.ID[:12], reminderMark(o.Body), o.LastErr)
			}
			return err
		})
	})
}

func checkStore(ctx context.Context, p *program, args []string) error {
	fs := p.flags("check-store")
	path := fs.String("config", "", "configuration file")
	if err := parse(fs, args); err != nil {
		return err
	}
	return p.withStore(ctx, *path, func(a *app) error {
		problems, err := a.store.Check(ctx)
		if err != nil {
			return err
		}
		if a.cfg.Stream.URL == "" {
			lost, err := stream.Lost(a.cfg.streamConfig().Dir)
			if err != nil {
				return err
			}
			problems = append(problems, lost...)
		}
		for _, s := range problems {
			fmt.Fprintln(p.out, s)
		}
		if len(problems) > 0 {
			return hinted{fmt.Errorf("%d problems", len(problems)), "restore the newest good copy and replay; see deploy/README.md"}
		}
		fmt.Fprintln(p.out, "nothing wrong found")
		return nil
	})
}
