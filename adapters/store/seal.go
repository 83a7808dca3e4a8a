package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"strconv"
	"strings"

	"gaussline/adapters/pipeline"
)

// A seal is a hash over the columns of a row that nobody changes apart from it, kept beside them: a body that still
// reads well can be compared with nothing else in the database. A received message needs none: its ID is a hash.

// SealOutgoing gives the seal of what never changes of an outgoing message: hex SHA-256.
func SealOutgoing(o pipeline.Outgoing) string {
	return seal([]string{o.ID, o.Order, o.Sink, o.To}, o.Body)
}

// SealVerdict gives the seal of a verdict: its revision, a colon, hex SHA-256. A node without seals that replaces the
// verdict leaves the seal of the revision before, which then says nothing.
func SealVerdict(v pipeline.StoredVerdict, decided string) string {
	return strconv.Itoa(v.Revision) + ":" + seal([]string{v.Referral, v.Patient, v.Site, v.Digest, v.State, v.Kind, decided}, v.Body)
}

// sealRow gives the seal of a statement: hex SHA-256.
func (r StatementRow) sealRow() string {
	person := "0"
	if r.Person {
		person = "1"
	}
	return seal([]string{r.Key, r.Version, r.LastUpdated, r.MessageTime, r.Hash, r.Type, r.Patient, person}, r.Body, r.MessageID,
		strconv.Itoa(r.Start), strconv.Itoa(r.Len), r.ReceivedAt)
}

// sealRow gives the seal of a record: hex SHA-256. Aliases and parts are compared with the body.
func (r RecordRow) sealRow() string { return seal([]string{r.Patient}, r.Body) }

// seal hashes length and bytes of each part, in the order given.
func seal(before []string, body []byte, after ...string) string {
	h := sha256.New()
	buf := make([]byte, 0, usualColumns)
	size := func(n int) { buf = binary.BigEndian.AppendUint64(buf, uint64(n)) }
	for _, p := range before {
		size(len(p))
		buf = append(buf, p...)
	}
	size(len(body))
	h.Write(buf)
	h.Write(body)
	buf = buf[:0]
	for _, p := range after {
		size(len(p))
		buf = append(buf, p...)
	}
	h.Write(buf)
	return hex.EncodeToString(h.Sum(nil))
}

// usualColumns is room for the columns of a row but its body.
const usualColumns = 768

// StatementSealSQL reads what CheckStatement needs, in both dialects.
const StatementSealSQL = `select s.row_id, s.key, s.version, s.last_updated, s.message_time, s.hash, s.type, s.patient, s.person,
	s.body, coalesce(m.id, ''), s.start_at, s.len, s.received_at, s.seal
	from statements s left join messages m on m.row_id = s.message_row order by s.row_id`

// RecordSealSQL gives the SQL that reads what CheckRecord needs, where keys is a table j with the keys in r.devices.
func RecordSealSQL(keys string) string {
	return `select patient, body, seal, (select count(*) from parts p where p.patient = r.patient),
	(select count(*) from ` + keys + ` join record_devices d on d.key = j.value and d.patient = r.patient), devices, devices_of
	from records r order by patient`
}

// OutgoingSealSQL and VerdictSealSQL read what CheckOutgoing and CheckVerdict need, in both dialects.
const (
	OutgoingSealSQL = "select seq, id, ord, sink, dest, body, seal from outbox where seal <> '' order by seq"
	VerdictSealSQL  = `select referral, patient, site, revision, digest, state, kind, decided, body, seal from verdicts
		where seal <> '' order by referral`
)

// CheckOutgoing compares an outgoing message with its seal.
func (p *Problems) CheckOutgoing(o pipeline.Outgoing, seal string) {
	if seal != SealOutgoing(o) {
		p.Add("outgoing message in row %d: it is not what was queued", o.Seq)
	}
}

// CheckVerdict compares a verdict with its seal; n counts the verdicts checked so far.
func (p *Problems) CheckVerdict(n int, v pipeline.StoredVerdict, decided, seal string) {
	if of, _, _ := strings.Cut(seal, ":"); of == strconv.Itoa(v.Revision) && seal != SealVerdict(v, decided) {
		p.Add("verdict number %d: it is not what was decided", n)
	}
}
