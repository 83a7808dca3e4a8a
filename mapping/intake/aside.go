package intake

import (
	"slices"
	"time"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/opnote"
)

// Said is a string of a resource whose type is not read, or that was refused.
type Said struct {
	Path string       // where it stands
	Text string       // "" for a code
	Code implant.Code // a coding, "" for words
}

// Aside is what can be known of a resource whose type is not read.
type Aside struct {
	Patients    []string // references to whom it is about, as received
	VersionID   string
	LastUpdated time.Time
	Status      string
	Said        []Said
}

// maxAsides bounds what one resource is asked about.
const maxAsides = 3

// notAside are types that name a patient and whose words are about somebody else, or about other resources.
var notAside = []string{"FamilyMemberHistory", "Provenance", "AuditEvent", "OperationOutcome", "MessageHeader"}

// Tells says whether words or a code tell that an implant is or was there. A plan, a denial and a relative's tell nothing.
func (s Said) Tells() bool {
	if s.Text == "" {
		_, _, ok := codes.Presence(s.Code)
		return ok
	}
	if len(s.Text) > opnote.MaxText {
		return true // nobody has read it
	}
	reading := opnote.Read(opnote.Note{Text: s.Text, Type: opnote.TypeUnknown})
	return slices.ContainsFunc(reading.Findings, func(f opnote.Finding) bool {
		return f.Component.Kind != "" && f.Kind != implant.DeniedPresence && (f.Scope == opnote.ScopeCurrent || f.Scope == opnote.ScopeHistory)
	})
}

// MayTell is Tells for what was refused and nobody will read otherwise: the bare name of a part is enough, in any language
// that we know it in.
func (s Said) MayTell() bool {
	if s.Tells() {
		return true
	}
	_, any := partsNamed(s.Text)
	return any
}

// aside makes the statement of a resource whose type is not read and whose words tell of an implant: a question about
// its patient, since nobody has weighed what it says. ok is false where it tells nothing, or is about nobody.
func (b *bundle) aside(it *Item) (st implant.Statement, ok bool) {
	if slices.Contains(notAside, it.Type) || slices.ContainsFunc(it.Aside.Said, func(s Said) bool { return s.Code.System == implant.VerdictSystem }) {
		return st, false
	}
	r := &reader{b: b, it: it}
	r.st = implant.Statement{Key: b.keyOf(it), Type: it.Type, Void: it.Aside.Status == enteredInError,
		Version: implant.Version{ID: it.Aside.VersionID, LastUpdated: it.Aside.LastUpdated, MessageTime: b.env.MessageTime, Hash: it.Hash}}
	for _, p := range it.Aside.Patients {
		if key, typ := b.fromString(it, p); key != "" && r.st.Patient == "" && (typ == "" || typ == "Patient") {
			r.st.Patient = key
		}
	}
	for _, s := range it.Aside.Said {
		if len(r.st.Facts) < maxAsides && s.Tells() {
			r.doubt(implant.AskToldElsewhere, implant.Component{Words: it.Type}, s.Path, firstOf(s.Text, s.Code.Code))
		}
	}
	return r.done(), r.st.Patient != "" && len(r.st.Facts) > 0
}
