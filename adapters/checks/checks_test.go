package checks

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gaussline/schemas"
)

// inline compiles a schema given as the members of an object.
func inline(t *testing.T, members string) *Schema {
	t.Helper()
	s, err := compile("inline.schema.json", []byte(schemaText(members)))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func schemaText(members string) string {
	return `{"$schema":"https://json-schema.org/draft/2020-12/schema","$id":"https://gaussline.invalid/schemas/inline.schema.json",` + members + `}`
}

func problems(t *testing.T, s *Schema, doc string) []Problem {
	t.Helper()
	p, err := s.JSON([]byte(doc))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Trap: the library turns format off once $schema says 2020-12. RFC 3339 full-date; 30 February is no day.
func TestFormatIsAsserted(t *testing.T) {
	s := inline(t, `"properties":{"d":{"format":"date"}}`)
	if p := problems(t, s, `{"d":"2026-02-28"}`); p != nil {
		t.Errorf("a day of the calendar is refused: %v", p)
	}
	p := problems(t, s, `{"d":"2026-02-30"}`)
	if len(p) != 1 || p[0].Pointer != "/d" || p[0].Rule != "/properties/d/format" {
		t.Errorf("30 February: %v", p)
	}
}

// Trap: as format, for content: JSON Schema 2020-12, validation, section 8.
func TestContentIsAsserted(t *testing.T) {
	s := inline(t, `"properties":{"b":{"contentEncoding":"base64"}}`)
	if p := problems(t, s, `{"b":"AAAA"}`); p != nil {
		t.Errorf("base64 is refused: %v", p)
	}
	if p := problems(t, s, `{"b":"***"}`); len(p) == 0 {
		t.Error("text that is no base64 passes")
	}
}

// Trap: references to files and addresses would be loaded. Nothing is loaded but our own schemas.
func TestNothingIsLoadedFromElsewhere(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "outside.json")
	if err := os.WriteFile(outside, []byte(`{}`), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, ref := range []string{"file://" + outside, "https://example.invalid/outside.json"} {
		_, err := compile("inline.schema.json", []byte(schemaText(fmt.Sprintf(`"$ref":%q`, ref))))
		if err == nil || !strings.Contains(err.Error(), "nothing is loaded") {
			t.Errorf("%s: %v", ref, err)
		}
	}
	if _, err := compile("inline.schema.json", []byte(schemaText(`"$ref":"registry-row.schema.json"`))); err != nil {
		t.Errorf("our own schema by its name: %v", err)
	}
	if _, err := Compile("no-such.schema.json"); err == nil {
		t.Error("a schema that is not there compiles")
	}
}

// Trap: float64 hides what is lost beyond 2^53 (RFC 8259, section 6).
func TestNumbersStayExact(t *testing.T) {
	s := inline(t, `"properties":{"n":{"type":"integer","maximum":9007199254740992}}`)
	if p := problems(t, s, `{"n":9007199254740993}`); len(p) != 1 {
		t.Errorf("2^53+1 against a maximum of 2^53: %v", p)
	}
	v, err := Decode([]byte(`{"n":9007199254740993}`))
	if err != nil || v.(map[string]any)["n"] != json.Number("9007199254740993") {
		t.Errorf("decoded %v, %v", v, err)
	}
}

// Trap: Go structs and typed maps are not JSON values for the library; that is a problem, never a pass.
func TestStructsAreNotTaken(t *testing.T) {
	s := inline(t, `"type":"object"`)
	for _, v := range []any{struct{ A int }{1}, map[string]string{"a": "b"}} {
		if p := s.Value(v); len(p) == 0 {
			t.Errorf("%T passes", v)
		}
	}
}

// Trap: the library gives errors in an order that varies from run to run.
func TestProblemsComeInOneOrder(t *testing.T) {
	s := inline(t, `"required":["x","y"],"additionalProperties":false,"properties":{"a":{"type":"string"},"b":{"type":"string"},"c":{"enum":[1]},"d":{"minimum":3},"e":{"pattern":"^z$"}}`)
	doc := `{"e":"q","d":1,"c":2,"b":1,"a":1,"q":0}`
	first := problems(t, s, doc)
	if len(first) != 7 {
		t.Fatalf("want required, additionalProperties and five fields: %v", first)
	}
	if !slices.IsSortedFunc(first, func(a, b Problem) int { return strings.Compare(a.Pointer+" "+a.Rule, b.Pointer+" "+b.Rule) }) {
		t.Errorf("not sorted: %v", first)
	}
	for range 60 {
		if p := problems(t, s, doc); !slices.Equal(p, first) {
			t.Fatalf("another order or other words: %v", p)
		}
	}
}

// Only what is wrong itself is a problem, not the conditions around it.
func TestOnlyLeavesAreProblems(t *testing.T) {
	s := inline(t, `"allOf":[{"if":{"required":["a"]},"then":{"properties":{"b":{"$ref":"#/$defs/n"}},"required":["c"]}}],"$defs":{"n":{"type":"number"}}`)
	var rules []string
	for _, p := range problems(t, s, `{"a":1,"b":"x"}`) {
		rules = append(rules, p.Pointer+" "+p.Rule)
	}
	want := []string{" /allOf/0/then/required", "/b /allOf/0/then/properties/b/$ref/type"}
	if !slices.Equal(rules, want) {
		t.Errorf("got %q, want %q", rules, want)
	}
}

// Trap: patterns are RE2; look-ahead must fail when the schema is compiled, not when the first value comes.
func TestLookAheadIsRefused(t *testing.T) {
	if _, err := compile("inline.schema.json", []byte(schemaText(`"pattern":"^(?=a)"`))); err == nil {
		t.Error("look-ahead compiles")
	}
}

func TestProblemsAreBounded(t *testing.T) {
	s := inline(t, `"items":{"type":"string"}`)
	p := problems(t, s, "["+strings.Repeat("1,", 5000)+"1]")
	if len(p) != maxProblems {
		t.Errorf("%d problems", len(p))
	}
}

func TestDecodeRefusesWhatFollows(t *testing.T) {
	for _, doc := range []string{`{} {}`, `{}x`, ``, `{`} {
		if _, err := Decode([]byte(doc)); err == nil {
			t.Errorf("%q is taken", doc)
		}
	}
}

// files lists our schemas.
func files(t *testing.T) []string {
	t.Helper()
	list, err := fs.Glob(schemas.FS, "*.json")
	if err != nil || len(list) == 0 {
		t.Fatalf("no schemas: %v", err)
	}
	return list
}

// Trap: a misspelt keyword or unknown format passes in silence. Every schema of ours is of 2020-12, has an id that
// ends in its file name, compiles (the library checks it against the meta-schema), and uses only keywords listed
// in JSON Schema 2020-12 (core, applicator, validation, meta-data, content).
func TestSchemasUseKnownKeywordsOnly(t *testing.T) {
	for _, name := range files(t) {
		b, err := fs.ReadFile(schemas.FS, name)
		if err != nil {
			t.Fatal(err)
		}
		var root map[string]any
		if err := json.Unmarshal(b, &root); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if root["$schema"] != "https://json-schema.org/draft/2020-12/schema" {
			t.Errorf("%s: $schema is %v", name, root["$schema"])
		}
		if id, _ := root["$id"].(string); !strings.HasSuffix(id, "/"+name) {
			t.Errorf("%s: $id is %q", name, id)
		}
		if _, err := Compile(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, f := range lint(root, "") {
			t.Errorf("%s: %s", name, f)
		}
	}
}

func TestLintFindsTheTraps(t *testing.T) {
	for schema, want := range map[string]string{
		`{"additionalPropertys":false}`:                "unknown keyword additionalPropertys",
		`{"properties":{"a":{"maxLenght":3}}}`:         "/properties/a: unknown keyword maxLenght",
		`{"$defs":{"a":{"format":"dat"}}}`:             "/$defs/a: unknown format dat",
		`{"enum":[]}`:                                  "empty enum",
		`{"allOf":[{"then":{"requird":["a"]}}]}`:       "/allOf/0/then: unknown keyword requird",
		`{"items":{"pattern":"a"}}`:                    "/items: pattern is not anchored",
		`{"properties":{"properties":{"minimun":1}}}`:  "/properties/properties: unknown keyword minimun",
		`{"additionalProperties":{"uniqueItem":true}}`: "/additionalProperties: unknown keyword uniqueItem",
	} {
		var v map[string]any
		if err := json.Unmarshal([]byte(schema), &v); err != nil {
			t.Fatal(err)
		}
		if got := lint(v, ""); len(got) != 1 || !strings.Contains(got[0], want) {
			t.Errorf("%s: %v", schema, got)
		}
	}
}

// Keywords by what their value holds.
var (
	plainKeywords = []string{"$schema", "$id", "$ref", "$comment", "title", "description", "default", "examples", "type", "enum", "const",
		"multipleOf", "maximum", "exclusiveMaximum", "minimum", "exclusiveMinimum", "maxLength", "minLength", "pattern", "maxItems",
		"minItems", "uniqueItems", "maxContains", "minContains", "maxProperties", "minProperties", "required", "dependentRequired",
		"format", "contentEncoding", "contentMediaType", "$anchor", "deprecated", "readOnly", "writeOnly"}
	schemaKeywords = []string{"items", "contains", "additionalProperties", "propertyNames", "if", "then", "else", "not",
		"unevaluatedItems", "unevaluatedProperties", "contentSchema"}
	listKeywords = []string{"allOf", "anyOf", "oneOf", "prefixItems"}
	mapKeywords  = []string{"properties", "patternProperties", "$defs", "dependentSchemas"}
	knownFormats = []string{"date", "date-time", "time", "duration", "uri", "email", "uuid", "regex"}
)

// lint reports what the library lets through.
func lint(s map[string]any, at string) (faults []string) {
	fault := func(text string) { faults = append(faults, at+": "+text) }
	for k, v := range s {
		switch {
		case slices.Contains(plainKeywords, k):
			if f, ok := v.(string); k == "format" && (!ok || !slices.Contains(knownFormats, f)) {
				fault(fmt.Sprintf("unknown format %v", v))
			}
			if p, ok := v.(string); k == "pattern" && ok && !(strings.HasPrefix(p, "^") && strings.HasSuffix(p, "$")) {
				fault("pattern is not anchored")
			}
			if l, ok := v.([]any); k == "enum" && (!ok || len(l) == 0) {
				fault("empty enum: the library would let anything pass")
			}
		case slices.Contains(schemaKeywords, k):
			faults = append(faults, lintAny(v, at+"/"+k)...)
		case slices.Contains(listKeywords, k):
			for i, x := range v.([]any) {
				faults = append(faults, lintAny(x, fmt.Sprintf("%s/%s/%d", at, k, i))...)
			}
		case slices.Contains(mapKeywords, k):
			for name, x := range v.(map[string]any) {
				faults = append(faults, lintAny(x, at+"/"+k+"/"+name)...)
			}
		default:
			fault("unknown keyword " + k)
		}
	}
	return faults
}

func lintAny(v any, at string) []string {
	switch x := v.(type) {
	case bool:
		return nil
	case map[string]any:
		return lint(x, at)
	}
	return []string{at + ": want a schema"}
}
