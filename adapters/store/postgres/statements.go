package postgres

import "gaussline/adapters/store"

// statements are rows to be written by one SQL statement: one array a column.
type statements struct {
	kept                                         map[[5]string]bool
	key, version, lastUpdated, messageTime, hash []string
	typ, patient, messageID, receivedAt, seal    []string
	person, start, length                        []int
	body                                         [][]byte
	mentionOf, edgeOf                            []int // place of the statement, from 1
	mention, edgeA, edgeB                        []string
	size                                         int // bytes of bodies
}

func (s *statements) empty() bool { return len(s.key) == 0 }

// add takes a row; a second one of the same version changes nothing, as in the table.
func (s *statements) add(r store.StatementRow) {
	id := [5]string{r.Key, r.Version, r.LastUpdated, r.MessageTime, r.Hash}
	if s.kept[id] {
		return
	}
	if s.kept == nil {
		s.kept = map[[5]string]bool{}
	}
	s.kept[id] = true
	s.key, s.version = append(s.key, r.Key), append(s.version, r.Version)
	s.lastUpdated, s.messageTime = append(s.lastUpdated, r.LastUpdated), append(s.messageTime, r.MessageTime)
	s.hash, s.typ, s.patient = append(s.hash, r.Hash), append(s.typ, r.Type), append(s.patient, r.Patient)
	s.messageID, s.receivedAt = append(s.messageID, r.MessageID), append(s.receivedAt, r.ReceivedAt)
	s.start, s.length, s.body = append(s.start, r.Start), append(s.length, r.Len), append(s.body, r.Body)
	s.seal = append(s.seal, r.Seal)
	person := 0
	if r.Person {
		person = 1
	}
	s.person = append(s.person, person)
	s.size += len(r.Body)
	ord := len(s.key)
	for _, m := range r.Mentions {
		s.mentionOf, s.mention = append(s.mentionOf, ord), append(s.mention, m)
	}
	for _, e := range r.Edges { // both ways
		s.edgeOf = append(s.edgeOf, ord, ord)
		s.edgeA, s.edgeB = append(s.edgeA, e.A, e.B), append(s.edgeB, e.B, e.A)
	}
}

// args gives the arrays in the order of saveStatementsSQL.
func (s *statements) args() []any {
	return []any{s.key, s.version, s.lastUpdated, s.messageTime, s.hash, s.typ, s.patient, s.person, s.body, s.messageID,
		s.start, s.length, s.receivedAt, s.mentionOf, s.mention, s.edgeOf, s.edgeA, s.edgeB, s.seal}
}
