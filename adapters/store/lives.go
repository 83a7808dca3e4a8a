package store

import (
	"bytes"
	"fmt"

	"gaussline/mapping/implant"
	"gaussline/mapping/registry"
)

// LivesPage is how many lives are read at a time.
const LivesPage = 5_000

// LivesCols is how many columns the question for lives has.
const LivesCols = 7

// LivesSQL gives the question for the lives after one part; the parameters are written as the dialect has them.
func LivesSQL(patient, id, limit string) string {
	return `select patient, id, kind, maker, model, implanted, life from parts where (patient, id) > (` + patient + `, ` + id + `) order by patient, id limit ` + limit
}

// LivesEnd ends every column of a life in the text of a page: no text that is kept holds it.
const LivesEnd = "\x00"

// Lives makes lives of rows. Kinds, makers and models are few and kept once.
type Lives struct {
	known   map[string]string
	Patient string // of the last row
	ID      string // of the last row
	Rows    int    // since the last question
}

// Page takes the rows of a whole page in, each column ended by LivesEnd. Rows that do not come in order are an error: the
// next page begins after the last.
func (l *Lives) Page(page []byte, f func(patient string, life registry.Life, derived bool) error) error {
	var cols [LivesCols][]byte
	for len(page) > 0 {
		for i := range cols {
			end := bytes.IndexByte(page, LivesEnd[0])
			if end < 0 {
				return fmt.Errorf("parts: a page of lives ends within a row")
			}
			cols[i], page = page[:end], page[end+1:]
		}
		if string(cols[0]) < l.Patient || string(cols[0]) == l.Patient && string(cols[1]) <= l.ID {
			return fmt.Errorf("parts: a page of lives is not in order")
		}
		if err := l.Row(cols, f); err != nil {
			return err
		}
	}
	return nil
}

// LastLife gives the key of the last row of a page, "" of none.
func LastLife(page []byte) (patient, id string) {
	start := len(page)
	for range LivesCols + 1 { // one end more: that of the row before
		start = bytes.LastIndexByte(page[:max(start, 0)], LivesEnd[0])
	}
	cols := bytes.SplitN(page[start+1:], []byte(LivesEnd), 3)
	if len(cols) < 3 {
		return "", ""
	}
	return string(cols[0]), string(cols[1])
}

// Row takes one row of LivesSQL in and hands it to f; a part that never went in is passed over.
func (l *Lives) Row(cols [LivesCols][]byte, f func(patient string, life registry.Life, derived bool) error) error {
	l.Rows++
	if string(cols[0]) != l.Patient {
		l.Patient = string(cols[0])
	}
	l.ID = string(cols[1])
	if string(cols[6]) == NoLife {
		return nil
	}
	life := registry.Life{Kind: l.once(cols[2]), Maker: l.once(cols[3]), Model: l.once(cols[4]), Implanted: implant.When(cols[5])}
	if len(cols[6]) == 0 {
		return f(l.Patient, life, false)
	}
	if err := life.Read(string(cols[6])); err != nil {
		return fmt.Errorf("parts: %w", err)
	}
	return f(l.Patient, life, true)
}

func (l *Lives) once(b []byte) string {
	if s, ok := l.known[string(b)]; ok {
		return s
	}
	if l.known == nil {
		l.known = map[string]string{}
	}
	s := string(b)
	l.known[s] = s
	return s
}
