package fhirjson

import (
	"reflect"
	"slices"
	"strings"

	"gaussline/mapping/implant"
)

// maxListed is how many findings the text of an error lists; the rest are counted.
const maxListed = 5

// Refusal is the error for a message or resource that cannot be used. Findings say where and why, sorted by path.
// Their Words may hold patient data; the error text never does.
type Refusal struct{ Findings []implant.Finding }

// Error gives paths and reasons, without any value that was received. It may be logged.
func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString("refused: ")
	for i, f := range r.Findings {
		if i == maxListed {
			b.WriteString("; and more")
			break
		}
		if i > 0 {
			b.WriteString("; ")
		}
		if f.Path != "" {
			b.WriteString(f.Path + ": ")
		}
		b.WriteString(f.Text)
	}
	return b.String()
}

// refuse makes a Refusal of one or more findings.
func refuse(fs ...implant.Finding) *Refusal {
	return &Refusal{Findings: sorted(fs)}
}

// fault is a finding of severity error.
func fault(code, path, text, words string) implant.Finding {
	return implant.Finding{Severity: "error", Code: code, Path: path, Text: text, Words: words}
}

// lost is a finding of severity warning: something the sender wrote is not in the result as written.
func lost(code, path, text, words string) implant.Finding {
	return implant.Finding{Severity: "warning", Code: code, Path: path, Text: text, Words: words}
}

// noted is a finding of severity information: nothing was lost.
func noted(code, path, text, words string) implant.Finding {
	return implant.Finding{Severity: "information", Code: code, Path: path, Text: text, Words: words}
}

// sorted orders findings by path, text and words, and drops exact copies.
func sorted(fs []implant.Finding) []implant.Finding {
	if len(fs) == 0 {
		return nil
	}
	out := slices.Clone(fs)
	slices.SortStableFunc(out, func(a, b implant.Finding) int {
		if c := strings.Compare(a.Path, b.Path); c != 0 {
			return c
		}
		if c := strings.Compare(a.Text, b.Text); c != 0 {
			return c
		}
		return strings.Compare(a.Words, b.Words)
	})
	return slices.Compact(out)
}

// fromLibrary reads the errors of the library. Its types are internal, so the fields are found by reflection:
// Path, Details (no values), Diagnostics (may hold values), Type. root is put in the place of the resource type
// with which every path starts.
func fromLibrary(err error, root string) []implant.Finding {
	v := reflect.ValueOf(err)
	if v.Kind() == reflect.Slice {
		var fs []implant.Finding
		for i := range v.Len() {
			if e, ok := v.Index(i).Interface().(error); ok {
				fs = append(fs, fromLibrary(e, root)...)
			}
		}
		return sorted(fs)
	}
	if v.Kind() == reflect.Pointer && v.Elem().Kind() == reflect.Struct {
		details, ok := textField(v.Elem(), "Details")
		if ok {
			path, _ := textField(v.Elem(), "Path")
			words, _ := textField(v.Elem(), "Diagnostics")
			return []implant.Finding{libraryFinding(path, details, words, root)}
		}
	}
	// Not one of the library's own: its text might hold values, so it goes to Words.
	return []implant.Finding{fault("exception", root, "the decoder failed on this resource", clip(err.Error()))}
}

func textField(v reflect.Value, name string) (string, bool) {
	f := v.FieldByName(name)
	if !f.IsValid() || f.Kind() != reflect.String {
		return "", false
	}
	return f.String(), true
}

func libraryFinding(path, details, words, root string) implant.Finding {
	if _, rest, found := strings.Cut(path, "."); found {
		path = root + "." + rest
	} else {
		path = root
	}
	code := "value"
	switch {
	case strings.HasPrefix(details, "missing required field "):
		code = "required"
		path += "." + strings.Trim(strings.TrimPrefix(details, "missing required field "), `"`)
		details = "this element is required and missing"
	case details == "unknown field":
		code = "structure"
		details = "unknown field"
	case strings.HasPrefix(details, "field exceeded the maximum nesting depth"):
		code = "too-long"
	case details == "code type mismatch":
		code = "code-invalid"
		details = "not a code of the required set"
	case details == "expected array", strings.HasPrefix(details, "cannot accept multiple values"),
		strings.HasPrefix(details, "array length mismatch"), details == "invalid JSON":
		code = "structure"
	}
	if details == "invalid JSON" {
		details = "expected an object"
	}
	return fault(code, path, details, clip(words))
}

// clip keeps quoted words short and valid UTF-8.
func clip(s string) string {
	const limit = 200 // bytes of a quoted value
	if len(s) > limit {
		s = s[:limit] + "..."
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}
