package mri

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gaussline/mapping/codes"
)

// Severity of a complaint: an error makes the file unusable, a warning does not.
type Severity string

// Severities.
const (
	SeverityError   Severity = "error"
	SeverityWarning Severity = "warning"
)

// Complaint is something wrong or doubtful in a labelling file, with its place and why it matters.
type Complaint struct {
	Severity Severity `json:"severity"`
	Path     string   `json:"path"`
	Where    string   `json:"where,omitempty"` // the same place by name: document and edition, system or component, set
	Text     string   `json:"text"`
}

// maxComplaints keeps a hopeless file from filling the screen.
const maxComplaints = 500

// Lint explains all that is wrong or doubtful in a labelling file, errors first, then in the order of the paths.
func Lint(l Labelling) []Complaint {
	l.compile()
	out := slices.Clone(l.complaints)
	for i := range out {
		out[i].Where = l.Where(out[i].Path)
	}
	slices.SortStableFunc(out, func(a, b Complaint) int {
		return cmp.Or(cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Text, b.Text))
	})
	return slices.Compact(out)
}

var (
	systemPath    = regexp.MustCompile(`^systems\[(\d+)\]`)
	componentPath = regexp.MustCompile(`^components\[(\d+)\]`)
	documentPath  = regexp.MustCompile(`^documents\[(\d+)\]`)
	setPath       = regexp.MustCompile(`^[a-z]+\[\d+\]\.sets\[(\d+)\]`)
)

// Where names a place of the file as people know it: "document D1, edition 3; system one; set s". It is "" where the
// path leads to nothing that has a name.
func (l Labelling) Where(path string) string {
	var names []string
	var sets []ConditionSet
	document := func(id string) {
		i := slices.IndexFunc(l.Documents, func(d Document) bool { return d.ID == id })
		switch {
		case i >= 0:
			names = append(names, fmt.Sprintf("document %.60s, edition %.60s", id, l.Documents[i].Edition))
		case id != "":
			names = append(names, fmt.Sprintf("document %.60s, not in this file", id))
		}
	}
	if i, ok := listed(documentPath, path, len(l.Documents)); ok {
		document(l.Documents[i].ID)
	}
	if i, ok := listed(systemPath, path, len(l.Systems)); ok {
		document(l.Systems[i].Document)
		names = append(names, fmt.Sprintf("system %.60s", l.Systems[i].ID))
		sets = l.Systems[i].Sets
	}
	if i, ok := listed(componentPath, path, len(l.Components)); ok {
		document(l.Components[i].Document)
		names = append(names, fmt.Sprintf("component %.60s", l.Components[i].ID))
		sets = l.Components[i].Sets
	}
	if i, ok := listed(setPath, path, len(sets)); ok {
		names = append(names, fmt.Sprintf("set %.60s", sets[i].ID))
	}
	return strings.Join(names, "; ")
}

// listed gives the index that a path names, if the list has it.
func listed(re *regexp.Regexp, path string, n int) (int, bool) {
	m := re.FindStringSubmatch(path)
	if m == nil {
		return 0, false
	}
	i, err := strconv.Atoi(m[1])
	return i, err == nil && i < n
}

func (c *compiler) complain(s Severity, path, format string, args ...any) {
	if len(c.l.complaints) < maxComplaints || s == SeverityError && len(c.l.complaints) < 2*maxComplaints {
		c.l.complaints = append(c.l.complaints, Complaint{Severity: s, Path: path, Text: fmt.Sprintf(format, args...)})
	}
}

func (c *compiler) errorf(path, format string, args ...any) {
	c.complain(SeverityError, path, format, args...)
}

func (c *compiler) warnf(path, format string, args ...any) {
	c.complain(SeverityWarning, path, format, args...)
}

func (c *compiler) quantity(path, text string, dim Dimension) (Quantity, bool) {
	q, err := ParseQuantity(text, dim)
	if err != nil {
		c.errorf(path, "%v", err)
		return Quantity{}, false
	}
	if q.Amount == 0 && dim != Days {
		c.errorf(path, "%q is zero: no scan could meet it", text)
		return Quantity{}, false
	}
	return q, true
}

// senseField warns of fields that no MR scanner for people has: whole-body scanners run from 0.05 to 10.5 T.
// Common practice, no source.
func (c *compiler) senseField(path string, q Quantity) {
	if q.Amount < micro/20 || q.Amount > 105*micro/10 {
		c.warnf(path, "%s reads as %s T, no scanner's field", q.Printed, q.Amount)
	}
}

func (c *compiler) span(path string, s *Span) stretch {
	if s == nil {
		return stretch{}
	}
	out := spanStretch(s.From, s.To)
	if !out.ok {
		c.errorf(path, "%.40q to %.40q: a landmark is not known, or the first lies below the second", s.From, s.To)
	}
	return out
}

// regions checks words of package codes: a region nobody else uses would never match.
func (c *compiler) regions(path string, words []string) {
	for _, w := range words {
		if _, ok := regionPlans[w]; !ok {
			c.errorf(path, "%.40q is no region word, such as %q", w, codes.LumbarBack)
		}
	}
}
