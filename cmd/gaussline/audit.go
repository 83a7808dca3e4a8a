package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/user"
	"strings"

	"gaussline/adapters/access"
)

// commandChain is the chain of what is done at the command line, beside a service that may be running.
const commandChain = "command-line"

// noted keeps what is about to be shown or done at the command line, under the operating system's user; by is who they
// say they act for, "" nobody. What cannot be noted is not shown. The Object is an opaque id.
func (a *app) noted(ctx context.Context, e access.Event, by string) error {
	e.Who, e.Role = localUser(), commandChain
	if by != "" {
		e.Who += " for " + by
	}
	audit := &access.Audit{Journal: a.journal(), Now: a.now, Chain: commandChain}
	if err := audit.Note(ctx, e); err != nil {
		return fmt.Errorf("the audit cannot be written, so nothing is shown or done: %w", err)
	}
	return nil
}

// notedRecord is noted about a record, by its opaque id.
func (a *app) notedRecord(ctx context.Context, what, patient, reason string) error {
	o, err := a.office(ctx)
	if err != nil {
		return err
	}
	return a.noted(ctx, access.Event{Action: access.Seen, What: what, Object: o.seal.ID("record", patient), Reason: reason}, "")
}

// localUser names the operating system's user: what they call themselves proves nothing.
func localUser() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return "os:" + u.Username
	}
	return fmt.Sprintf("os:uid %d", os.Getuid())
}

// needReason: whoever opens a patient's data at the command line stands outside every scope that the pages hold people
// to. It is breaking the glass, with a reason.
func needReason(reason string) error {
	if len([]rune(strings.TrimSpace(reason))) < minReason {
		return usageError{fmt.Sprintf("--reason is needed, at least %d characters without patient data: this opens patient data outside the pages, and the audit keeps why", minReason)}
	}
	return nil
}

const minReason = 10 // characters, as on the pages

// audited notes what machines pull before they get it.
func audited(h http.Handler, guard *access.Guard, audit *access.Audit, from func(*http.Request) string) http.Handler {
	if h == nil {
		return nil
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who, _ := guard.Who(r)
		what, object := "month", r.URL.Path[:min(len(r.URL.Path), 100)]
		if rest, ok := strings.CutPrefix(object, "/registry/months/"); ok {
			object = rest
		} else {
			what = "registry"
		}
		err := audit.Note(r.Context(), access.Event{Who: who.Name, Role: string(who.Role), Action: access.Executed, What: what, Object: object, From: from(r)})
		if err != nil {
			http.Error(w, "the audit cannot be written; nothing is sent", http.StatusServiceUnavailable)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// exportAudit prints every chain, as kept or as FHIR AuditEvents, a line each. That is itself noted first, so it stands
// in what is printed.
func exportAudit(ctx context.Context, p *program, args []string) error {
	fs := p.flags("audit")
	path := fs.String("config", "", "configuration file")
	format := fs.String("format", "lines", "lines or fhir")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *format != "lines" && *format != "fhir" {
		return usageError{"--format: want lines or fhir"}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if err := a.noted(ctx, access.Event{Action: access.Executed, What: "audit"}, ""); err != nil {
			return err
		}
		write := access.KeptLine
		if *format == "fhir" {
			write = access.AuditEvent
		}
		return (&access.Audit{Journal: a.journal()}).Each(ctx, func(l access.Line) error {
			b, err := write(l)
			if err == nil {
				_, err = fmt.Fprintf(p.out, "%s\n", b)
			}
			return err
		})
	})
}

// checkAudit verifies a downloaded audit chain, without the service.
func checkAudit(_ context.Context, p *program, args []string) error {
	path, err := p.oneFile("check-audit", ": the chain as downloaded from /audit/lines", args)
	if err != nil {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	var lines []access.Line
	sc := bufio.NewScanner(f)
	sc.Buffer(nil, maxAuditLine)
	for sc.Scan() {
		var l struct {
			Key  string
			Body json.RawMessage
		}
		if err := json.Unmarshal(sc.Bytes(), &l); err != nil {
			return fmt.Errorf("%s: line %d: %w", path, len(lines)+1, err)
		}
		lines = append(lines, access.Line{Key: l.Key, Body: l.Body})
	}
	if err := errors.Join(sc.Err(), access.VerifyAudit(lines)); err != nil {
		return err
	}
	if len(lines) == 0 {
		return errors.New("the file holds no line")
	}
	n, hash, err := access.AuditHead(lines[len(lines)-1])
	fmt.Fprintf(p.out, "%d lines, the chain holds; the last is number %d, hash %s\nCompare number and hash with what was written down before: lines cut off at the end cannot be seen here.\n", len(lines), n, hash)
	return err
}

// maxAuditLine bounds one line of a downloaded chain.
const maxAuditLine = 64 << 10
