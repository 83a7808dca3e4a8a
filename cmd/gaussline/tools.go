package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"gaussline/adapters/access"
	"gaussline/mapping/opnote"
)

func checkConfig(_ context.Context, p *program, args []string) error {
	if len(args) != 1 {
		return usageError{"one file is needed"}
	}
	cfg, err := loadConfig(args[0], p.env)
	if err != nil {
		return err
	}
	if _, err := loadKnowledge(cfg); err != nil {
		return err
	}
	warnings := cfg.warnings()
	for _, w := range warnings {
		fmt.Fprintf(p.out, "%s: warning: %s\n", args[0], w)
	}
	verdict := "good"
	if len(warnings) > 0 {
		verdict = fmt.Sprintf("can be served, with %d warnings", len(warnings))
	}
	fmt.Fprintf(p.out, "%s: %s; %d senders, %d radiology sites, %d labelling files\n", args[0], verdict, len(cfg.Senders), len(cfg.Sites), len(cfg.MR.Labelling))
	return nil
}

// noteTypes maps file endings to content types of notes.
var noteTypes = map[string]string{".txt": "text/plain; charset=utf-8", ".html": "text/html", ".htm": "text/html",
	".xhtml": "application/xhtml+xml", ".rtf": "application/rtf", ".pdf": "application/pdf"}

func readNote(_ context.Context, p *program, args []string) error {
	fs := p.flags("read")
	title := fs.String("title", "", "title of the note")
	kind := fs.String("type", "unknown", "procedure, discharge, clinic, imaging or unknown")
	if err := parse(fs, args); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return usageError{"one file is needed"}
	}
	b, err := os.ReadFile(fs.Arg(0))
	if err != nil {
		return err
	}
	contentType, ok := noteTypes[strings.ToLower(filepath.Ext(fs.Arg(0)))]
	if !ok {
		contentType = "text/plain; charset=utf-8"
	}
	text, err := opnote.Text(contentType, b)
	if err != nil {
		return err
	}
	r := opnote.Read(opnote.Note{Text: text, Title: *title, Type: *kind})
	fmt.Fprintf(p.out, "%s\n\nRead from it:\n", text)
	for _, f := range r.Findings {
		fmt.Fprintf(p.out, "  [%d-%d] %-10s %-18s %-14s %s\n      %q\n      because: %s\n", f.Start, f.End, f.Scope, f.Kind, f.Component.Kind, findingWords(f), f.Quote, f.Why)
	}
	fmt.Fprintln(p.out, "\nA careful reader would ask:")
	for _, q := range r.Questions {
		fmt.Fprintf(p.out, "  [%d-%d] %s %s %q\n", q.Start, q.End, q.Code, q.Detail, q.Quote)
	}
	fmt.Fprintln(p.out, "\nReading prose misses things. What is read counts only as what the note says, never as proof that nothing else is in the body.")
	return nil
}

func findingWords(f opnote.Finding) string {
	var w []string
	c := f.Component
	if c.Count > 0 {
		w = append(w, fmt.Sprintf("%d", c.Count))
	}
	for _, s := range []string{string(f.Site.Side), f.Site.Level, f.Site.Entry, f.Site.Tip, f.Site.Nerve, f.Site.Pocket, f.Value, c.Model, c.Serial, c.Lot, string(f.At), string(f.Certainty)} {
		if s != "" {
			w = append(w, s)
		}
	}
	return strings.Join(w, ", ")
}

func makeToken(_ context.Context, p *program, _ []string) error {
	t := access.NewToken()
	fmt.Fprintf(p.out, "token (give it to the sender, keep it nowhere): %s\ntoken_sha256 (for the configuration): %s\n", t, access.HashToken(t))
	return nil
}
