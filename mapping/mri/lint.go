package mri

import (
	"cmp"
	"fmt"
	"slices"

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
	Text     string   `json:"text"`
}

// maxComplaints keeps a hopeless file from filling the screen.
const maxComplaints = 500

// Lint explains all that is wrong or doubtful in a labelling file, errors first, then in the order of the paths.
func Lint(l Labelling) []Complaint {
	l.compile()
	out := slices.Clone(l.complaints)
	slices.SortStableFunc(out, func(a, b Complaint) int {
		return cmp.Or(cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Text, b.Text))
	})
	return slices.Compact(out)
}

func (c *compiler) complain(s Severity, path, format string, args ...any) {
	if len(c.l.complaints) < maxComplaints || s == SeverityError && len(c.l.complaints) < 2*maxComplaints {
		c.l.complaints = append(c.l.complaints, Complaint{s, path, fmt.Sprintf(format, args...)})
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
