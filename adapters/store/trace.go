package store

import (
	"slices"
	"strings"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// MaxParts bounds what one question to the table of parts may give.
const MaxParts = 200_000

// PartsSQL gives the question for parts that a query needs, of the few that there are: in takes a column, of
// which the folded text (trace.Fold) is meant, and the number of its list of values. Parameter 1 and 2 are lists of folded values, 3 and 4 the part after which to go on,
// 5 the limit; in("", 0) is the condition that goes on, in("", -1) the limit. lists are the values of parameters 1 and 2.
func PartsSQL(q pipeline.PartsQuery, in func(column string, n int) string) (sql string, lists [2][]string) {
	return partsSQL(shapeOf(q), in), [2][]string{first(q.DIs, q.Models, q.Serials), q.Lots}
}

// PartsShapes gives all questions that PartsSQL can give, to be prepared.
func PartsShapes(in func(column string, n int) string) (out []string) {
	for _, s := range []string{"all", "doubtful", "lot", "serial", "model", "model lot", "di", "di lot"} {
		out = append(out, partsSQL(s, in))
	}
	return out
}

// PagedParts answers a query by read, which gives up to limit parts after one. Where the answer has the order of
// patient and part it is read in pages; otherwise in one go.
func PagedParts(q pipeline.PartsQuery, read func(after [2]string, limit int, f func(pipeline.TracedPart)) error,
	f func(pipeline.TracedPart)) (more bool, err error) {
	shape := shapeOf(q)
	paged := shape == "all" || shape == "doubtful"
	page := min(q.Limit, MaxParts) + 1
	if paged {
		page = partsPage
	}
	given := 0
	for after := [2]string{}; ; {
		n := 0
		err := read(after, page, func(p pipeline.TracedPart) {
			n++
			after = [2]string{p.Patient, p.ID}
			if given < q.Limit {
				f(p)
				given++
			} else {
				more = true
			}
		})
		if err != nil || more || n < page || !paged {
			return more, err
		}
	}
}

// partsPage is how many parts are read at a time where there may be millions.
const partsPage = 5000

func first(lists ...[]string) []string {
	for _, l := range lists {
		if len(l) > 0 {
			return l
		}
	}
	return nil
}

func shapeOf(q pipeline.PartsQuery) string {
	var names []string
	switch {
	case q.Doubtful:
		return "doubtful"
	case len(q.DIs) > 0:
		names = append(names, "di")
	case len(q.Models) > 0:
		names = append(names, "model")
	case len(q.Serials) > 0:
		return "serial"
	}
	if len(q.Lots) > 0 {
		names = append(names, "lot")
	}
	if len(names) == 0 {
		return "all"
	}
	return strings.Join(names, " ")
}

func partsSQL(shape string, in func(column string, n int) string) string {
	const cols = `select patient, id, kind, maker, model, lot, serial, di, state, implanted, removed, expiry, doubtful from parts where `
	switch shape {
	case "all":
		return cols + in("", 0) + ` order by patient, id limit ` + in("", -1)
	case "doubtful":
		return cols + `doubtful = 1 and ` + in("", 0) + ` order by patient, id limit ` + in("", -1)
	}
	var where []string
	for _, name := range strings.Fields(shape) {
		n := 1
		if name == "lot" {
			n = 2
		}
		where = append(where, in(name, n))
	}
	return cols + strings.Join(where, " and ") + ` limit ` + in("", -1)
}

// ScanPart reads a row of the table of parts with the columns that PartsSQL asks for.
func ScanPart(scan func(dest ...any) error) (pipeline.TracedPart, error) {
	var p pipeline.TracedPart
	c := &p.Component
	var doubtful int
	err := scan(&p.Patient, &p.ID, (*string)(&c.Kind), &c.Maker, &c.Model, &c.Lot, &c.Serial, &c.DI, (*string)(&p.State),
		(*string)(&p.Implanted), (*string)(&p.Removed), (*string)(&c.Expiry), &doubtful)
	p.Doubtful = doubtful != 0
	return p, err
}

// doubted lists the parts of a record of which sources disagree what device they are.
func doubted(rec implant.Record) map[string]bool {
	out := map[string]bool{}
	for _, q := range rec.Questions {
		if slices.Contains([]implant.QuestionCode{implant.AskIdentityConflict, implant.AskIdentityDoubtful, implant.AskVersionsUnordered}, q.Code) {
			for _, id := range q.Parts {
				out[cleanText(id)] = true
			}
		}
	}
	return out
}
