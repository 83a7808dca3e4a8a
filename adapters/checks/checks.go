// Package checks validates values against the JSON Schemas of package schemas (draft 2020-12), and nothing else:
// what a field means is for the room that owns it. It is the only importer of the jsonschema library, which is
// set up here against its traps: format is asserted, nothing is loaded from disk or network, numbers stay exact,
// and messages come in a fixed order.
package checks

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"gaussline/schemas"
)

// maxProblems bounds what one document reports; a document of a million faults is one bad document.
const maxProblems = 100

// Problem is one way in which a value does not fit its schema.
type Problem struct {
	Pointer string `json:"pointer"` // JSON Pointer (RFC 6901) of the value
	Rule    string `json:"rule"`    // keyword location in the schema
	Text    string `json:"text"`    // what is wrong, without the value where the library allows
}

// Schema is a compiled schema of package schemas.
type Schema struct {
	name string
	s    *jsonschema.Schema
}

// Compile compiles a schema by its file name in package schemas.
func Compile(name string) (*Schema, error) {
	b, err := fs.ReadFile(schemas.FS, name)
	if err != nil {
		return nil, fmt.Errorf("schema %s: %w", name, err)
	}
	return compile(name, b)
}

func compile(name string, b []byte) (*Schema, error) {
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.AssertFormat = true  // off by default once $schema says 2020-12
	c.AssertContent = true //
	c.LoadURL = func(url string) (io.ReadCloser, error) {
		file := url[strings.LastIndexByte(url, '/')+1:]
		f, err := schemas.FS.Open(file)
		if err != nil {
			return nil, fmt.Errorf("schema %s is not one of ours: nothing is loaded from elsewhere", url)
		}
		return f, nil
	}
	var head struct {
		ID string `json:"$id"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return nil, fmt.Errorf("schema %s: %w", name, err)
	}
	if err := c.AddResource(head.ID, bytes.NewReader(b)); err != nil {
		return nil, fmt.Errorf("schema %s: %w", name, err)
	}
	s, err := c.Compile(head.ID)
	if err != nil {
		return nil, fmt.Errorf("schema %s: %w", name, err)
	}
	return &Schema{name: name, s: s}, nil
}

// Decode reads JSON into the form that Validate takes, with exact numbers. It refuses trailing bytes.
func Decode(b []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, fmt.Errorf("bytes after the JSON value at offset %d", d.InputOffset())
	}
	return v, nil
}

// JSON validates raw JSON. The error is for JSON that cannot be read; problems are sorted by pointer and rule.
func (s *Schema) JSON(b []byte) ([]Problem, error) {
	v, err := Decode(b)
	if err != nil {
		return nil, fmt.Errorf("not JSON: %w", err)
	}
	return s.Value(v), nil
}

// Value validates a decoded value (maps, slices, strings, json.Number, bool, nil; no structs).
func (s *Schema) Value(v any) []Problem {
	err := s.s.Validate(v)
	var invalid *jsonschema.ValidationError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &invalid):
		return []Problem{{Rule: s.name, Text: err.Error()}}
	}
	out := leaves(invalid, nil)
	slices.SortFunc(out, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Pointer, b.Pointer), cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Text, b.Text))
	})
	out = slices.Compact(out)
	if len(out) > maxProblems {
		out = out[:maxProblems]
	}
	return out
}

// leaves gives what is wrong itself; an error with causes only names a parent of it.
func leaves(e *jsonschema.ValidationError, out []Problem) []Problem {
	if len(e.Causes) == 0 {
		return append(out, Problem{Pointer: e.InstanceLocation, Rule: e.KeywordLocation, Text: e.Message})
	}
	for _, c := range e.Causes {
		out = leaves(c, out)
	}
	return out
}
