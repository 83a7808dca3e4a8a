package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// decodeConfig reads one YAML document into c. Its errors name the key wherever the document can be walked.
func decodeConfig(b []byte, c *config) error {
	d := yaml.NewDecoder(bytes.NewReader(b))
	d.KnownFields(true) // a misspelt key is an error, not a silent default
	var wrong *yaml.TypeError
	switch err := d.Decode(c); {
	case errors.Is(err, io.EOF):
		return errors.New("the file is empty; deploy/gaussline.yaml is an example to start from")
	case errors.As(err, &wrong):
		return namedFaults(b, wrong)
	case err != nil:
		return err
	}
	if err := d.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return errors.New("holds a second YAML document (after a line of ---): the configuration is one")
	}
	return nil
}

var (
	wrongType = regexp.MustCompile("^line ([0-9]+): cannot unmarshal (![^ ]+)(?: `(.*)`)? into (.*)$")
	wrongKey  = regexp.MustCompile("^line ([0-9]+): field (.*) not found in type ")
)

// wanted says in words what a key takes, by the type that the decoder names.
var wanted = map[string]string{"string": "a text", "int": "a whole number", "int64": "a whole number", "bool": "true or false",
	"time.Duration": "a time such as 4h or 30m"}

// namedFaults puts the key before each of the decoder's complaints, which know the line alone.
func namedFaults(b []byte, wrong *yaml.TypeError) error {
	var doc yaml.Node
	_ = yaml.Unmarshal(b, &doc) // it was read once already; without it the lines stand alone
	var faults []error
	for _, text := range wrong.Errors {
		if m := wrongKey.FindStringSubmatch(text); m != nil {
			line, _ := strconv.Atoi(m[1])
			text = fmt.Sprintf("line %s: there is no key %s", m[1], strings.Join(keysAt(&doc, "", func(path string, key, _ *yaml.Node) bool {
				return key != nil && key.Line == line && key.Value == m[2]
			}), " or "))
		} else if m := wrongType.FindStringSubmatch(text); m != nil {
			line, _ := strconv.Atoi(m[1])
			keys := keysAt(&doc, "", func(path string, _, v *yaml.Node) bool {
				return v.Line == line && v.ShortTag() == m[2] && (v.Kind != yaml.ScalarNode || strings.HasPrefix(v.Value, strings.TrimSuffix(m[3], "...")))
			})
			text = fmt.Sprintf("%s: line %s: want %s", strings.Join(keys, " or "), m[1], wantedWords(m[4]))
		}
		faults = append(faults, errors.New(text))
	}
	return errors.Join(faults...)
}

func wantedWords(goType string) string {
	switch {
	case wanted[goType] != "":
		return wanted[goType]
	case strings.HasPrefix(goType, "[]"):
		return "a list"
	}
	return "keys and values"
}

// keysAt lists the paths of the keys, such as sites[0].match, whose key and value fit. key is nil for list items.
func keysAt(n *yaml.Node, path string, fits func(path string, key, value *yaml.Node) bool) (out []string) {
	visit := func(p string, key, v *yaml.Node) {
		if fits(p, key, v) {
			out = append(out, p)
		}
		out = append(out, keysAt(v, p, fits)...)
	}
	switch n.Kind {
	case yaml.DocumentNode:
		if fits("the file", nil, n.Content[0]) {
			out = append(out, "the file")
		}
		return append(out, keysAt(n.Content[0], "", fits)...)
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			visit(strings.TrimPrefix(path+"."+n.Content[i].Value, "."), n.Content[i], n.Content[i+1])
		}
	case yaml.SequenceNode:
		for i, v := range n.Content {
			visit(fmt.Sprintf("%s[%d]", path, i), nil, v)
		}
	}
	return out
}
