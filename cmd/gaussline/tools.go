package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"gaussline/adapters/access"
	"gaussline/mapping/opnote"
)

func checkConfig(_ context.Context, p *program, args []string) error {
	path, err := p.oneFile("check-config", "", args)
	if err != nil {
		return err
	}
	cfg, err := loadConfig(path, p.env)
	if err != nil {
		return err
	}
	_, err = loadKnowledge(cfg)
	if err := errors.Join(checkFolder(cfg.DataDir), err); err != nil {
		return err
	}
	warnings := cfg.warnings()
	for _, w := range warnings {
		fmt.Fprintf(p.out, "%s: warning: %s\n", path, w)
	}
	verdict := "good"
	if len(warnings) > 0 {
		verdict = "can be served, with " + many(len(warnings), "warning")
	}
	fmt.Fprintf(p.out, "%s: %s; %s, %s, %s\n", path, verdict, many(len(cfg.Senders), "sender"), many(len(cfg.Sites), "radiology site"), many(len(cfg.MR.Labelling), "labelling file"))
	if len(warnings) > 0 {
		return errHeld
	}
	return nil
}

// checkFolder says whether the folder of the broker and store is there, or can be made, and written to. It tries it: what
// the bits of a folder say is not all that decides. Nothing is left behind.
func checkFolder(dir string) error {
	there := filepath.Clean(dir)
	info, err := os.Stat(there)
	for errors.Is(err, fs.ErrNotExist) && there != filepath.Dir(there) {
		there = filepath.Dir(there)
		info, err = os.Stat(there)
	}
	switch {
	case err != nil:
		return fmt.Errorf("data_dir: %w", err)
	case !info.IsDir():
		return fmt.Errorf("data_dir: %s is no folder", there)
	}
	probe, err := os.MkdirTemp(there, ".gaussline-check-")
	if err != nil {
		return fmt.Errorf("data_dir: %s cannot be written to: %w", there, errors.Unwrap(err))
	}
	return os.Remove(probe)
}

// noteTypes maps file endings to content types of notes.
var noteTypes = map[string]string{".txt": "text/plain; charset=utf-8", ".html": "text/html", ".htm": "text/html",
	".xhtml": "application/xhtml+xml", ".rtf": "application/rtf", ".pdf": "application/pdf"}

// noteKinds are the types of documents that the reader tells apart.
var noteKinds = []string{opnote.TypeProcedure, opnote.TypeDischarge, opnote.TypeClinic, opnote.TypeImaging, opnote.TypeUnknown}

func readNote(_ context.Context, p *program, args []string) error {
	flags := p.flags("read")
	title := flags.String("title", "", "title that the document carries beside its text; the acts and parts that it names are read (\"Explant of stimulator\"), it does not make the note one of an operation: that is --type")
	kind := flags.String("type", opnote.TypeUnknown, "what the document is: "+strings.Join(noteKinds, ", ")+"; an account of an operation is read otherwise than a letter about one")
	if err := parse(flags, args); err != nil {
		return err
	}
	if !slices.Contains(noteKinds, *kind) {
		return usageError{fmt.Sprintf("--type %q: want one of %s", *kind, strings.Join(noteKinds, ", "))}
	}
	if flags.NArg() != 1 {
		return usageError{"one file is needed"}
	}
	b, err := os.ReadFile(flags.Arg(0))
	if err != nil {
		return err
	}
	contentType, ok := noteTypes[strings.ToLower(filepath.Ext(flags.Arg(0)))]
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

func makeToken(_ context.Context, p *program, args []string) error {
	if err := p.noArguments("token", args); err != nil {
		return err
	}
	t := access.NewToken()
	fmt.Fprintf(p.out, "token (give it to the sender, keep it nowhere): %s\ntoken_sha256 (for the configuration): %s\n", t, access.HashToken(t))
	return nil
}
