package implant

import (
	"slices"
	"time"
)

// Record is what is, was and may be in one body, folded from every fact. It depends on the set of statements
// alone: not on their order, their number of copies, or when they came. All of it but the questions depends on those of
// one patient.
type Record struct {
	Patient    string     `json:"patient"`           // key of the patient: the least of its aliases
	Aliases    []string   `json:"aliases,omitempty"` // every patient key that is this person, sorted
	Person     Person     `json:"person,omitzero"`   // newest demographics, for adapters that must address a person
	Parts      []Part     `json:"parts,omitempty"`   // sorted by ID
	Events     []Event    `json:"events,omitempty"`  // in effective time
	Questions  []Question `json:"questions,omitempty"`
	Answered   []Answered `json:"answered,omitempty"`   // what people have settled, and counts, sorted
	Findings   []Noted    `json:"findings,omitempty"`   // what reading the sources had to mend or leave out, sorted
	Statements int        `json:"statements"`           // how many current statements it rests on
	LastStated When       `json:"lastStated,omitempty"` // newest version time any source gives
}

// zoneReach is how far the local day may run ahead of the day in UTC (IANA time zone database).
const zoneReach = 14 * time.Hour

// AsOf gives the record as it may be shown at a moment: a removal that is dated later, wherever the day was written, has
// not happened, so its part is in the body. Everything that people read of a record goes through this. What it gives
// shares no parts with the record.
func (r Record) AsOf(t time.Time) Record {
	r.Parts = slices.Clone(r.Parts)
	for i := range r.Parts {
		p := &r.Parts[i]
		if p.State.InBody() && p.State != ReportedRemoved {
			continue
		}
		out := p.Removed
		if !out.Known() {
			out = p.Since
		}
		if from, _, ok := out.Bounds(); ok && from.Add(-zoneReach).After(t) {
			p.State, p.Since, p.Removed = RemovalToCome, out, ""
		}
	}
	return r
}

// Noted is a finding with the source it is about.
type Noted struct {
	Key string `json:"key"`
	Finding
}

// Part is one component as the record has it.
type Part struct {
	ID        string    `json:"id"`               // stable: hash of what identifies it
	System    string    `json:"system,omitempty"` // ID of the system it belongs to, see history
	Component Component `json:"component"`        // best identity, conflicts are questions
	Refs      []string  `json:"refs,omitempty"`   // every Device key that is this part
	Site      Site      `json:"site,omitzero"`
	State     State     `json:"state"`
	Since     When      `json:"since,omitempty"`     // of the state
	Implanted When      `json:"implanted,omitempty"` //
	Removed   When      `json:"removed,omitempty"`   //
	Label     MRStatus  `json:"label,omitempty"`     // MR status that sources state for this part; most cautious wins
	Function  string    `json:"function,omitempty"`  // device-implantStatus code
	Evidence  []Source  `json:"evidence,omitempty"`  // what state and identity rest on
	Told      When      `json:"told,omitempty"`      // day on which a source first told of it, by the source's own clock
}

// EventKind names what happened to a system or part on a date.
type EventKind string

// Event kinds, in the trade's words.
const (
	EventImplanted       EventKind = "implanted"        // a primary implant
	EventRevised         EventKind = "revised"          // re-operation, system meant to work afterwards
	EventReplaced        EventKind = "replaced"         // part out and part in
	EventRepositioned    EventKind = "repositioned"     //
	EventPartlyExplanted EventKind = "partly-explanted" // something stays
	EventExplanted       EventKind = "explanted"        // all implanted parts out, none put back
	EventReportedRemoved EventKind = "reported-removed" //
	EventComplication    EventKind = "complication"
	EventFollowUp        EventKind = "follow-up"
)

// Event is something that happened, with the parts it concerned.
type Event struct {
	ID      string    `json:"id"`
	Kind    EventKind `json:"kind"`
	At      When      `json:"at,omitempty"`
	System  string    `json:"system,omitempty"`
	In      []string  `json:"in,omitempty"`    // part IDs put in
	Out     []string  `json:"out,omitempty"`   // part IDs taken out, wholly or in part
	Parts   []string  `json:"parts,omitempty"` // other part IDs concerned
	Reasons []string  `json:"reasons,omitempty"`
	Values  []string  `json:"values,omitempty"` // complication or outcome values
	Said    []string  `json:"said,omitempty"`   // the reporter's own words in the coded fields for reason and complication
	Told    When      `json:"told,omitempty"`   // day on which a source first told of it, by the source's own clock
	Sources []Source  `json:"sources,omitempty"`
}

// QuestionCode names what a careful reader would ask.
type QuestionCode string

// Question codes. The sentence for each is in package banner.
const (
	AskNoteUnread        QuestionCode = "note-unread"        // a procedure note nobody has read
	AskNoteUnreviewed    QuestionCode = "note-unreviewed"    // a note that rules have read and no person
	AskMessageUnread     QuestionCode = "message-unread"     // a refused or unreadable message about this patient
	AskDeviceMissing     QuestionCode = "device-missing"     // a Device is referred to and never came
	AskActionMissing     QuestionCode = "action-missing"     // focalDevice without an action
	AskActionAmbiguous   QuestionCode = "action-ambiguous"   // "replacement": old part or new?
	AskRemovalDoubtful   QuestionCode = "removal-doubtful"   // reported removed, nobody says whole
	AskStatesConflict    QuestionCode = "states-conflict"    // sources of the same time disagree on the state
	AskOrderUnknown      QuestionCode = "order-unknown"      // which came first is not known and it matters
	AskDateMissing       QuestionCode = "date-missing"       //
	AskDateDoubtful      QuestionCode = "date-doubtful"      // ambiguous or contradictory date
	AskSideConflict      QuestionCode = "side-conflict"      //
	AskLevelConflict     QuestionCode = "level-conflict"     //
	AskIdentityConflict  QuestionCode = "identity-conflict"  // serial, lot, model or UDI disagree
	AskIdentityUnknown   QuestionCode = "identity-unknown"   // no model or identifier
	AskIdentityDoubtful  QuestionCode = "identity-doubtful"  // failed check digit and the like
	AskLabelConflict     QuestionCode = "label-conflict"     // sources state different MR statuses
	AskLabelOldWords     QuestionCode = "label-old-words"    // "MR safe/compatible" said of it: quoted, not used
	AskVersionsUnordered QuestionCode = "versions-unordered" // two bodies of one source, nothing orders them
	AskSourcesMerged     QuestionCode = "patients-doubtful"  // records joined as one patient disagree on who that is
	AskCountConflict     QuestionCode = "count-conflict"     // more or fewer parts than said
	AskPatientMissing    QuestionCode = "patient-missing"    // an MR is ordered for a patient whom nobody described
	AskPartUnmatched     QuestionCode = "part-unmatched"     // an act on a part that no source put in
	AskDictation         QuestionCode = "dictation"          // a likely slip of dictation
	AskCodeUnknown       QuestionCode = "code-unknown"       // a code we do not understand where it matters
	AskOrdered           QuestionCode = "implant-ordered"    // an implant is ordered; nobody says whether it was put in
	AskToldElsewhere     QuestionCode = "told-elsewhere"     // a resource of a type that is not read speaks of an implant
	AskStillListed       QuestionCode = "still-listed"       // an undated problem-list entry, recorded before the removal
	AskNotDone           QuestionCode = "not-done"           // a procedure that touched devices was stopped or not finished
	AskWordsConflict     QuestionCode = "words-conflict"     // title against body, side against side in one note
	AskDeviceElsewhere   QuestionCode = "device-elsewhere"   // the same device is on the record of another patient
)

// Question is something open on the record, with the words that raise it.
type Question struct {
	ID      string       `json:"id"` // stable hash of code, parts and sources
	Code    QuestionCode `json:"code"`
	Parts   []string     `json:"parts,omitempty"`
	Detail  string       `json:"detail,omitempty"` // the values that disagree, or the missing key
	Sources []Source     `json:"sources,omitempty"`
	// MR says that the MR verdict must not be settled while this is open.
	MR bool `json:"mr,omitempty"`
	// Proposed is what the reader would answer, for the person who reviews; "" none.
	Proposed string `json:"proposed,omitempty"`
}

// Ways in which a person settles something.
const (
	Accepted    = "accepted"  // the reading on the record stands
	Corrected   = "corrected" // their own facts stand in its place
	WasSetAside = "set-aside" // what could not be read is left unread
)

// Answered is a question that would be open but for a person's answer, or a message that one has set aside.
type Answered struct {
	Question Question `json:"question"` // as it would stand; of a message set aside, Detail says what it is
	How      string   `json:"how"`      // Accepted, Corrected or WasSetAside
	Said     Source   `json:"said"`     // who, with the reason as the quote
	At       When     `json:"at"`
}
