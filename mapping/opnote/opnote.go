package opnote

import "gaussline/mapping/implant"

// Note types. An unknown or empty type is read like a letter: nothing done is taken as done today unless a heading
// or the words say so.
const (
	TypeProcedure = "procedure"
	TypeDischarge = "discharge"
	TypeClinic    = "clinic"
	TypeImaging   = "imaging"
	TypeUnknown   = "unknown"
)

// Scopes: whose, when and how sure a statement is. Only ScopeCurrent and ScopeHistory findings become facts.
const (
	ScopeCurrent      = "current"      // done or seen on the occasion the note is about
	ScopeHistory      = "history"      // done or present before
	ScopePlan         = "plan"         // intended
	ScopeConsent      = "consent"      // discussed as a possibility
	ScopeCopied       = "copied"       // carried forward from an older note
	ScopeFamily       = "family"       // about a relative
	ScopeOther        = "other-person" // about somebody else, or patients in general
	ScopeNegated      = "negated"      // said not to be so
	ScopeHypothetical = "hypothetical" // conditional
)

// MaxText is the longest note that Read takes, in bytes; the rest is not read and a question says so. Real
// notes are below 100 kB.
const MaxText = 4 << 20

// Note is a document as it came, in plain text. Date is the day the note or procedure carries, if known.
type Note struct {
	Text  string
	Title string
	Type  string
	Date  implant.When
}

// Finding is one thing the note says. Start and End are a byte span of Note.Text and Quote is that span; a finding
// that rests on the title alone has Start and End 0 and the title as its quote.
type Finding struct {
	Kind      implant.FactKind
	Component implant.Component
	Site      implant.Site
	At        implant.When
	Value     string
	Start     int
	End       int
	Quote     string
	Scope     string
	Certainty implant.Certainty
	Why       string // the rule and the cue it rests on, for people
}

// Question is something the note leaves open or contradicts. Proposed is what this reader would answer.
type Question struct {
	Code     implant.QuestionCode
	Detail   string
	Start    int
	End      int
	Quote    string
	Proposed string
}

// Section is a stretch of the note under one heading. Kind is the scope-giving kind of the heading, "" for the
// text before any heading.
type Section struct {
	Heading string
	Kind    string
	Start   int
	End     int
}

// Reading is all that was read from one note, in the order of the text.
type Reading struct {
	Findings  []Finding
	Questions []Question
	Sections  []Section
}

// Read reads a note with the built-in lexicon. It never fails: what it cannot make out becomes a question.
func Read(n Note) Reading { return builtin.Read(n) }
