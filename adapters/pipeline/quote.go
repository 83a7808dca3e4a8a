package pipeline

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"regexp"
	"strconv"
	"strings"

	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"
)

// Quoted is a passage with the words that something rests on.
type Quoted struct {
	Before, Words, After string
	// Whole says that the passage around the words was found; else only the words are there.
	Whole bool
}

// Quote finds the words of a source in the text they stand in, from the bytes as received. Where the passage cannot
// be found again the words alone are given.
func (s *Service) Quote(ctx context.Context, src implant.Source) (q Quoted, err error) {
	q.Words = src.Quote
	err = s.Store.View(ctx, func(r Reader) error {
		stored, err := r.ByKey(ctx, []string{src.Key})
		if err != nil {
			return err
		}
		for i := len(stored) - 1; i >= 0; i-- { // newest last
			if src.Version != "" && stored[i].Version.ID != src.Version {
				continue
			}
			raw, err := s.rawOf(ctx, r, stored[i])
			if err != nil {
				return err
			}
			if text, ok := textAt(raw, src.Path); ok {
				q = mark(text, src)
				return nil
			}
		}
		return nil
	})
	return q, err
}

// mark cuts the text at the words. The span counts only where it holds the quoted words.
func mark(text string, src implant.Source) Quoted {
	start, end := src.Start, src.End
	if start < 0 || end > len(text) || start >= end || text[start:end] != src.Quote {
		start = strings.Index(text, src.Quote)
		end = start + len(src.Quote)
	}
	if start < 0 || src.Quote == "" {
		return Quoted{Before: text, Words: "", Whole: true}
	}
	return Quoted{Before: text[:start], Words: text[start:end], After: text[end:], Whole: true}
}

var step = regexp.MustCompile(`^([A-Za-z]+)(?:\[(\d+)\])?$`)

// textAt gives the text at a FHIRPath-like place: the data of an attachment, a narrative, or a string.
func textAt(raw []byte, path string) (string, bool) {
	var v any
	if json.Unmarshal(raw, &v) != nil {
		return "", false
	}
	steps := strings.Split(path, ".")
	for _, st := range steps[1:] { // the first is the resource type
		m := step.FindStringSubmatch(st)
		o, ok := v.(map[string]any)
		if m == nil || !ok {
			return "", false
		}
		v = o[m[1]]
		list, isList := v.([]any)
		if !isList {
			continue
		}
		n, err := strconv.Atoi("0" + m[2])
		if err != nil || n >= len(list) {
			return "", false
		}
		v = list[n]
	}
	return textOf(v)
}

func textOf(v any) (string, bool) {
	switch x := v.(type) {
	case string:
		if strings.HasPrefix(strings.TrimSpace(x), "<") {
			t, err := opnote.Text("text/html", []byte(x))
			return t, err == nil
		}
		return x, true
	case map[string]any:
		if data, ok := x["data"].(string); ok {
			typ, _ := x["contentType"].(string)
			b, err := base64.StdEncoding.DecodeString(data)
			t, err2 := opnote.Text(typ, b)
			return t, errors.Join(err, err2) == nil
		}
		for _, name := range []string{"div", "text", "display"} {
			if _, ok := x[name]; ok {
				return textOf(x[name])
			}
		}
	}
	return "", false
}
