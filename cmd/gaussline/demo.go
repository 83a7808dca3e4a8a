package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/mapping/implant"
	"gaussline/testdata/cases"
	"gaussline/testdata/scenario"
)

// demoDay is "today" in the invented scenario: its labels are under review and its orders are open on that day.
var demoDay = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// demoMark is the file by which demo knows a folder as its own, to be emptied.
const demoMark = "made-by-gaussline-demo"

const demoConfig = `# Made by "gaussline demo". Everything in it is invented. It works with "gaussline serve --config" too.
data_dir: data
http: {listen: "127.0.0.1:8480"}
senders:
  - {name: hillside, base_url: "http://ehr.hillside.invalid/fhir", token_sha256: %s}
  - {name: quayside, base_url: "http://fhir.quayside.invalid/r4", token_sha256: %s}
readers:
  - {name: registry-office, role: registry, token_sha256: %s}
  - {name: operator, role: operator, token_sha256: %s}
  - {name: ris-north, role: radiology, sites: [north], token_sha256: %s}
sites:
  - {name: north, match: ["North Imaging"]}
  - {name: harbour, match: ["Harbour Radiology"]}
fallback_site: north
mr: {labelling: [labelling.json], scanners: scanners.json}
registry: {name: invented-registry, key_file: registry.key}
`

func demo(ctx context.Context, p *program, args []string) error {
	fs := p.flags("demo")
	dir := fs.String("dir", "gaussline-demo", "folder to write to; what an earlier demo made in it goes first")
	listen := fs.String("listen", "127.0.0.1:8480", "host:port to serve on, with --serve")
	keep := fs.Bool("serve", false, "keep serving after the demonstration")
	full := fs.Bool("full", false, "print every banner whole")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *keep {
		if err := portFree(*listen); err != nil {
			return err
		}
	}
	tokens, err := demoFolder(*dir)
	if err != nil {
		return err
	}
	cfg, err := loadConfig(filepath.Join(*dir, "gaussline.yaml"), func(string) string { return "" })
	if err != nil {
		return err
	}
	log, err := p.quiet()
	if err != nil {
		return err
	}
	cfg.HTTP.Listen = *listen
	// One message a transaction, as from senders that write one by one: each banner, withdrawal and superseding banner
	// is sent in its turn.
	cfg.Limits.Batch = 1
	start := time.Now()
	now := func() time.Time { return demoDay.Add(time.Since(start)) }
	a, err := openApp(ctx, cfg, log, now, true)
	if err != nil {
		return err
	}
	if err := p.runDemo(ctx, a, *dir, *full); err != nil {
		return errors.Join(err, a.close(ctx))
	}
	fmt.Fprintf(p.out, "\nDone in %.1f s. Everything above is invented, and decision support: the MR medical director, local policy,\ncurrent labelling and licensed practice decide.\n", time.Since(start).Seconds())
	if !*keep {
		return a.close(ctx)
	}
	return a.serve(ctx, func(addr string) {
		defer p.printWelcome(a, addr)
		fmt.Fprintf(p.out, "\nServing on http://%s until interrupted. Send a FHIR R4 resource or Bundle as hillside:\n  curl -H 'Authorization: Bearer %s' -H 'Content-Type: application/fhir+json' --data-binary @FILE http://%s/fhir\nPull the registry month:\n  curl -H 'Authorization: Bearer %s' http://%s/registry/months\nAsk as the radiology system of the site north:\n  curl -H 'Authorization: Bearer %s' http://%s/radiology/orders\n", addr, tokens["hillside"], addr, tokens["registry-office"], addr, tokens["ris-north"], addr)
	})
}

// portFree finds out before the demonstration, not after it, that it could not be served.
func portFree(address string) error {
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return hinted{err, "another address with --listen HOST:PORT"}
	}
	return ln.Close()
}

// demoFolder makes a folder with configuration, labelling, scanners and a pseudonym key, and gives the tokens. Of a
// folder that an earlier demo made it takes away what that made, and nothing else.
func demoFolder(dir string) (map[string]string, error) {
	if err := clearDemo(dir); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	tokens := map[string]string{}
	var hashes []any
	for _, name := range []string{"hillside", "quayside", "registry-office", "operator", "ris-north"} {
		tokens[name] = access.NewToken()
		hashes = append(hashes, access.HashToken(tokens[name]))
	}
	for name, body := range map[string]string{demoMark: "", "gaussline.yaml": fmt.Sprintf(demoConfig, hashes...),
		"labelling.json": string(scenario.Labelling), "scanners.json": string(scenario.Scanners), "registry.key": access.NewToken() + "\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			return nil, err
		}
	}
	return tokens, nil
}

// demoMakes are the names that a demo makes in its folder.
var demoMakes = []string{demoMark, "gaussline.yaml", "labelling.json", "scanners.json", "registry.key", "data", "sent", "registry"}

// clearDemo removes what an earlier demo made. It refuses a folder of somebody else, and one that is being served.
func clearDemo(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) || err == nil && len(entries) == 0 {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(dir, demoMark)); err != nil {
		return hinted{fmt.Errorf("%s is not empty and no demo made it", dir), "name another folder with --dir"}
	}
	broker := filepath.Join(dir, "data", "stream")
	if used, err := stream.InUse(broker); err != nil || used {
		return hinted{errors.Join(fmt.Errorf("%s is being served or written by another gaussline", dir), err), "stop it, or name another folder with --dir"}
	}
	for _, name := range demoMakes {
		if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	return nil
}

func (p *program) runDemo(ctx context.Context, a *app, dir string, full bool) error {
	fmt.Fprintf(p.out, "Gaussline on an invented regional network: two hospitals send, two radiology departments read. Today is %s.\n\n1. What came in\n", demoDay.Format(time.DateOnly))
	stories, err := cases.All()
	if err != nil {
		return err
	}
	wait := a.service.Limits.FetchWait
	a.service.Limits.FetchWait = demoWait
	defer func() { a.service.Limits.FetchWait = wait }()
	for _, s := range stories {
		fmt.Fprintf(p.out, "  %s: %s\n", s.Name, s.About)
		for _, m := range s.Messages {
			if err := p.demoMessage(ctx, a, m); err != nil {
				return err
			}
		}
	}
	if err := p.demoRecords(ctx, a); err != nil {
		return err
	}
	if err := p.demoBanners(ctx, a, dir, full); err != nil {
		return err
	}
	return p.demoMonth(ctx, a, dir)
}

// demoWait is how patiently the demonstration looks for messages that it has just put there itself.
const demoWait = 100 * time.Millisecond

// demoMessage sends one message and waits until all that follows from it is sent on.
func (p *program) demoMessage(ctx context.Context, a *app, m cases.Message) error {
	if err := p.demoSend(ctx, a, m); err != nil {
		return err
	}
	if err := a.service.Drain(ctx, func(int) {}); err != nil {
		return err
	}
	for {
		if n, err := a.service.RelayOnce(ctx); err != nil || n == 0 {
			return err
		}
	}
}

func (p *program) demoSend(ctx context.Context, a *app, m cases.Message) error {
	id, findings, err := a.receiver().Receive(ctx, m.Sender, "application/fhir+json", m.Body)
	if err != nil {
		return fmt.Errorf("%s from %s: %w", m.Name, m.Sender, err)
	}
	fmt.Fprintf(p.out, "    %-9s %-16s %6d bytes  on disk as %s", m.Sender, m.Name, len(m.Body), id[:12])
	for _, f := range findings {
		fmt.Fprintf(p.out, "  (%s: %s)", f.Path, f.Text)
	}
	fmt.Fprintln(p.out)
	return nil
}

func (p *program) demoRecords(ctx context.Context, a *app) error {
	fmt.Fprintln(p.out, "\n2. The implant records")
	return a.store.View(ctx, func(r pipeline.Reader) error {
		return r.Records(ctx, "", func(rec implant.Record) error {
			fmt.Fprintln(p.out)
			p.printRecord(rec.AsOf(a.service.Now()))
			return nil
		})
	})
}

// demoBanners prints what radiology was sent and writes the whole messages to files.
func (p *program) demoBanners(ctx context.Context, a *app, dir string, full bool) error {
	fmt.Fprintln(p.out, "\n3. What was sent to radiology, and to senders of what could not be read")
	var out []pipeline.Outgoing
	if err := a.store.View(ctx, func(r pipeline.Reader) (err error) { out, err = r.Outbox(ctx, ""); return err }); err != nil {
		return err
	}
	folder := filepath.Join(dir, "sent")
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return err
	}
	whole := !full // the first
	for i, o := range out {
		name := filepath.Join(folder, fmt.Sprintf("%02d-%s.json", i+1, strings.TrimPrefix(o.To, "gaussline.out.")))
		if err := os.WriteFile(name, o.Body, 0o600); err != nil {
			return err
		}
		text, note := detailOf(o)
		if note && whole {
			whole = false
			fmt.Fprintln(p.out, "\n  This one whole, as radiology has it; of the others the beginning:")
		} else if note && !full {
			text = shorten(text)
		}
		fmt.Fprintf(p.out, "\n  %s to %s (%s)\n%s", o.State, o.To, name, indentLines(text))
	}
	return nil
}

// detailOf gives the words of a message, and whether they are a note to radiology.
func detailOf(o pipeline.Outgoing) (text string, note bool) {
	var b struct {
		ResourceType string
		Entry        []struct {
			Resource struct{ ResourceType, Detail string }
		}
		Issue []struct {
			Diagnostics string
			Expression  []string
		}
	}
	if err := json.Unmarshal(o.Body, &b); err != nil {
		return "not readable\n", false
	}
	for _, e := range b.Entry {
		if e.Resource.ResourceType == "DetectedIssue" {
			return e.Resource.Detail, true
		}
	}
	if b.ResourceType != "OperationOutcome" {
		return b.ResourceType + ", as received\n", false
	}
	text = "OperationOutcome: what was refused, where and why\n"
	for _, i := range b.Issue {
		text += fmt.Sprintf("- %s: %s\n", orDash(strings.Join(i.Expression, ", ")), i.Diagnostics)
	}
	return text, false
}

// shorten keeps the headline, what the note is for, why, and what changed, and says that it is not the whole.
func shorten(text string) string {
	shown := map[string]bool{"": true, "Why:": true, "Changed:": true}
	var out []string
	section, left := "", 0
	for i, l := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		if strings.HasSuffix(l, ":") && !strings.HasPrefix(l, "-") {
			section = l
		}
		if shown[section] && i != 1 {
			out = append(out, l)
		} else if i != 1 {
			left++
		}
	}
	if left > 0 {
		out = append(out, fmt.Sprintf("[%d more lines in the file: what is in the body, points to confirm, limits, cautions]", left))
	}
	return strings.Join(out, "\n") + "\n"
}

func indentLines(s string) string {
	return "    " + strings.ReplaceAll(strings.TrimRight(s, "\n"), "\n", "\n    ") + "\n"
}

// demoMonth exports the newest month in which something happened.
func (p *program) demoMonth(ctx context.Context, a *app, dir string) error {
	months := map[string]bool{}
	err := a.store.View(ctx, func(r pipeline.Reader) error {
		return r.Records(ctx, "", func(rec implant.Record) error {
			for _, e := range rec.Events {
				if e.At.DayPrecise() {
					months[string(e.At[:7])] = true
				}
			}
			return nil
		})
	})
	if err != nil || len(months) == 0 {
		return err
	}
	var all []string
	for m := range months {
		all = append(all, m)
	}
	sort.Strings(all)
	fmt.Fprintf(p.out, "\n4. The registry month %s\n", all[len(all)-1])
	err = p.writeMonth(ctx, a, all[len(all)-1], filepath.Join(dir, "registry"))
	if errors.Is(err, errHeld) {
		return nil
	}
	return err
}
