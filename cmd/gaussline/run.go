package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Exit codes are an interface: scripts depend on them.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
	exitHeld   = 3 // ran, but something was held back or not checked: rejects, rows that do not validate, a signature without its key, a file with warnings
)

// version is set at release with -ldflags "-X main.version=...".
var version = "development"

// command is one sub-command.
type command struct {
	name, args, help string
	run              func(context.Context, *program, []string) error
}

// program is what every command may use.
type program struct {
	env    func(string) string
	out    io.Writer
	errOut io.Writer
	fs     *flag.FlagSet // of the command, once it has told its flags
}

func commands() []command {
	return []command{
		{"demo", "[--dir DIR] [--full] [--serve [--listen HOST:PORT]]", "run the main job on the invented scenario and show the result", demo},
		{"serve", "--config FILE", "run the service", serve},
		{"import", "--config FILE --sender NAME PATH...", "read folders, JSON or NDJSON files of resources into the record; the service must be stopped while its broker is embedded (--sender may be left out when there is one only)", importFiles},
		{"record", "--config FILE --reason TEXT [--on DAY] [--known DAY] [--json] PATIENT", "print a patient's implant record, as of a day, as known on a day", showRecord},
		{"explain", "--config FILE --reason TEXT --patient PATIENT --order ORDER [--as text|sheet|dicom|v2]", "print the whole reasoning of a verdict, or the note as radiology has it in one of its forms", explain},
		{"verdicts", "--config FILE [--site SITE]", "list the verdicts in force, and who has read them", listVerdicts},
		{"questions", "--config FILE list --reason TEXT [--patient KEY] | answer ID --patient KEY --as accept|reject --by NAME --reason TEXT", "see what is open on the records, and answer it", questions},
		{"rejected", "--config FILE list [--all]|show ID --reason TEXT|replay ID|close ID --by NAME --note TEXT", "see and settle what could not be read", rejected},
		{"deliveries", "--config FILE [--state waiting|sent|dead | --unread]", "list outgoing messages, or the urgent banners that nobody has acknowledged", deliveries},
		{"trace", traceArgs, "find who has, had, or may have what a recall notice names", traceDevices},
		{"move-store", "--from FILE --to FILE", "copy the embedded store to PostgreSQL and compare", moveStore},
		{"export", "--config FILE --month YYYY-MM --out DIR", "write a registry month", exportMonth},
		{"close-month", "--config FILE --month YYYY-MM [--sign-key FILE] [--by NAME] [--skip-earlier MONTHS]", "close a month that is over: signed, and never changed after; months are closed in order", closeMonth},
		{"rekey", "--config FILE --by NAME [--reason TEXT]", "after a change of the pseudonym key: write the map from former pseudonyms to today's", rekey},
		{"quality", "--config FILE [--out DIR]", "completeness, validity, timeliness and rejects of the registry's rows by site and month, as table and chart", qualityReport},
		{"figures", "--config FILE [--out DIR] [--cut YYYY-MM-DD]", "revision and explant by model with intervals and numbers at risk, as charts and CSV", figures},
		{"verify", "[--key FILE] [--rekey MAPS] FOLDER", "check a month's signature, checksums, schema and counts, offline", verifyMonths},
		{"audit", "--config FILE [--format lines|fhir]", "print the audit, as kept for check-audit or as FHIR AuditEvents", exportAudit},
		{"check-audit", "FILE", "verify an exported audit chain, offline", checkAudit},
		{"dictionary", "", "print the data dictionary of a registry row", dictionary},
		{"check-config", "FILE", "check a configuration without starting anything", checkConfig},
		{"check-labelling", "FILE...", "check labelling files and explain every complaint", checkLabelling},
		{"check-store", "--config FILE", "check the store and say what is wrong with it", checkStore},
		{"read", "[--title TITLE] [--type procedure|discharge|clinic|imaging|unknown] FILE", "print a note with what is read from it and why", readNote},
		{"token", "", "make a bearer token and the hash that the configuration keeps", makeToken},
		{"bench", "[--quick] [--only senders|backfill|memory|latency | --only load [--messages N] [--store sqlite|postgres --url-file FILE] [--nodes N]]", "measure decoding, backfill, memory and latency on this machine, or a load of history", bench},
		{"version", "", "print the version", printVersion},
	}
}

// usageError is a mistake in how a command was called.
type usageError struct{ text string }

func (e usageError) Error() string { return e.text }

// hinted is an error that says what to do next.
type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error { return h.error }

// errHeld: the command did its work and held something back; it has said what.
var errHeld = errors.New("something was held back")

func run(ctx context.Context, args []string, env func(string) string, out, errOut io.Writer) int {
	p := &program{env: env, out: out, errOut: errOut}
	switch {
	case len(args) == 0:
		p.usage()
		return exitUsage
	case args[0] == "help" && len(args) == 2: // help COMMAND
		args = []string{args[1], "--help"}
	case args[0] == "help" || args[0] == "--help" || args[0] == "-h":
		p.usage()
		return exitDone
	}
	all := commands()
	i := slices.IndexFunc(all, func(c command) bool { return c.name == args[0] })
	if i < 0 {
		fmt.Fprintf(errOut, "gaussline: no command %q\nhint: gaussline help lists the commands\n", args[0])
		return exitUsage
	}
	return p.report(all[i], all[i].run(ctx, p, args[1:]))
}

func (p *program) report(c command, err error) int {
	var usage usageError
	var h hinted
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, flag.ErrHelp):
		p.commandHelp(c)
		return exitDone
	case errors.Is(err, errHeld):
		return exitHeld
	case errors.As(err, &usage):
		fmt.Fprintf(p.errOut, "gaussline %s: %s\nhint: gaussline %s %s\n", c.name, usage.text, c.name, c.args)
		return exitUsage
	}
	fmt.Fprintf(p.errOut, "gaussline %s: %v\n", c.name, err)
	if errors.As(err, &h) {
		fmt.Fprintf(p.errOut, "hint: %s\n", h.hint)
	}
	return exitFailed
}

func (p *program) usage() {
	fmt.Fprint(p.out, "gaussline tells whoever orders, runs or reads an MR, operates, or keeps the registry,\nwhat is in which body, where, under which MR conditions, and what has come out.\n\n")
	for _, c := range commands() {
		fmt.Fprintf(p.out, "  gaussline %s\n      %s\n", strings.TrimSpace(c.name+" "+c.args), c.help)
	}
	fmt.Fprint(p.out, "\ngaussline help COMMAND lists the flags of a command, with what they are when left out.\n")
	fmt.Fprint(p.out, "\nExit codes: 0 done; 1 failed; 2 not called rightly; 3 done, and something was held back, not checked or doubtful.\n")
	fmt.Fprint(p.out, "\nDecision support. The MR medical director, local policy, current labelling and licensed practice decide.\n")
}

// commandHelp prints what a command takes and does, and its flags.
func (p *program) commandHelp(c command) {
	fmt.Fprintf(p.out, "gaussline %s\n    %s\n", strings.TrimSpace(c.name+" "+c.args), c.help)
	first := true
	p.fs.VisitAll(func(f *flag.Flag) {
		if first {
			fmt.Fprint(p.out, "\nFlags:\n")
			first = false
		}
		kind, text := flag.UnquoteUsage(f)
		line := strings.TrimSpace("--" + f.Name + " " + strings.ToUpper(kind))
		if f.DefValue != "" && f.DefValue != "false" {
			text += " (left out: " + f.DefValue + ")"
		}
		fmt.Fprintf(p.out, "  %-22s %s\n", line, text)
	})
}

// flags makes a flag set whose errors become usage errors. Every command makes one, also one without flags: so that
// --help is understood and an unknown flag refused.
func (p *program) flags(name string) *flag.FlagSet {
	p.fs = flag.NewFlagSet(name, flag.ContinueOnError)
	p.fs.SetOutput(io.Discard)
	return p.fs
}

func parse(fs *flag.FlagSet, args []string) error {
	// Flags may stand before or after the other words.
	var words []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return err
			}
			return usageError{err.Error()}
		}
		if fs.NArg() == 0 {
			break
		}
		words = append(words, fs.Arg(0))
		args = fs.Args()[1:]
	}
	return fs.Parse(append([]string{"--"}, words...))
}

// noArguments is for commands that take nothing.
func (p *program) noArguments(name string, args []string) error {
	fs := p.flags(name)
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.NArg() > 0 {
		return usageError{fmt.Sprintf("takes no %q", fs.Arg(0))}
	}
	return nil
}

// oneFile is for commands that take a file and no flags.
func (p *program) oneFile(name, what string, args []string) (string, error) {
	fs := p.flags(name)
	if err := parse(fs, args); err != nil {
		return "", err
	}
	if fs.NArg() != 1 {
		return "", usageError{"one file is needed" + what}
	}
	return fs.Arg(0), nil
}

func printVersion(_ context.Context, p *program, args []string) error {
	if err := p.noArguments("version", args); err != nil {
		return err
	}
	_, err := fmt.Fprintln(p.out, "gaussline", version)
	return err
}
