package implant

import "time"

// FactKind says what a fact asserts.
type FactKind string

// Kinds of fact. In the comments "the component" is Fact.Component.
const (
	// About a component in the body.
	Implanted      FactKind = "implanted"       // put in
	Removed        FactKind = "removed"         // taken out; Value "whole" when the source says it came out whole
	RemovedPart    FactKind = "removed-in-part" // a fragment stays
	WasCapped      FactKind = "capped"
	WasCut         FactKind = "cut"              // a part stays
	Disconnected   FactKind = "disconnected"     // left in place, not connected
	Reconnected    FactKind = "connected"        //
	LeftInPlace    FactKind = "left-in-place"    // the source says it stays
	Repositioned   FactKind = "repositioned"     //
	Adjusted       FactKind = "adjusted"         // manipulated, stays in: settings, function, revision
	Exchanged      FactKind = "exchanged"        // "replacement" on one device: old or new is not said
	SoughtAbsent   FactKind = "sought-not-found" // looked for, not found
	RestSaid       FactKind = "rest-said"        // words on a removal say that something stays; Value: what alone came out, see RestBeside
	Wasted         FactKind = "wasted"           // opened, not implanted
	Abandoned      FactKind = "attempt-abandoned"
	ReportedGone   FactKind = "reported-removed" // second-hand: history, status field, statement of use
	PresentByWord  FactKind = "reported-present" // second-hand: history, status field, statement of use, seen on imaging
	Mentioned      FactKind = "mentioned"        // named without saying what was done (no action, usedReference)
	Planned        FactKind = "planned"          // plan, consent, intention
	DeniedPresence FactKind = "denied"           // somebody says there is none; never removes anything

	// About what a component is.
	Described FactKind = "described" // identity of a Device
	Located   FactKind = "located"   // where it is
	MRLabel   FactKind = "mr-label"  // Value is an MRStatus, or quoted old wording
	Function  FactKind = "function"  // Value: functional, non-functional, disabled, unknown
	Impedance FactKind = "impedance" // Value: in-range, out-of-range, short, open

	// About the patient's course.
	Reason       FactKind = "reason"       // of a revision or explant; Value our code
	Complication FactKind = "complication" // Value our code
	Outcome      FactKind = "outcome"      // Value: scale, number, unit
	UsageHours   FactKind = "usage"        // Value: number and unit

	// About the reading itself.
	Unread FactKind = "unread" // something about this patient could not be read; Value says what
	Doubt  FactKind = "doubt"  // a careful reader would ask; Value is a QuestionCode
	Answer FactKind = "answer" // a person settled a question; Value is the question's ID
	// A person set aside what could not be read; Value says what, and from whom.
	SetAside FactKind = "set-aside"
)

// RestBeside writes and reads the Value of a [RestSaid] fact: the kinds, with their side where it is said, that alone
// came out. An empty Value says that anything may stay; the fact's component then names the kind where that is known.
func RestBeside(kind Kind, side Side) string { return string(kind) + "/" + string(side) }

// Basis says how a fact was come by.
type Basis string

// Bases, weakest first.
const (
	Read     Basis = "read"     // from prose
	Coded    Basis = "coded"    // from coded fields
	Reviewed Basis = "reviewed" // by a person, with name and reason
)

// Certainty says how sure the source is of its own words.
type Certainty string

// Certainties. The zero value is Stated.
const (
	Stated   Certainty = ""
	Probable Certainty = "probable"
	Possible Certainty = "possible"
)

// Source answers "who says so?": the resource, its version, and the JSON path or the byte span with the words.
type Source struct {
	Key     string `json:"key"`               // key of the resource: "sender|Procedure/12" or an absolute URL
	Version string `json:"version,omitempty"` // what the source calls its version
	Path    string `json:"path,omitempty"`    // FHIRPath-like place in the resource: "Procedure.focalDevice[0].action"
	Start   int    `json:"start,omitempty"`   // byte span in the decoded text at Path; both 0 when not prose
	End     int    `json:"end,omitempty"`
	Quote   string `json:"quote,omitempty"` // the words the fact rests on
	By      string `json:"by,omitempty"`    // the person who says so, as given; "" what a system sent
}

// Fact is what one source says about one thing.
type Fact struct {
	Kind      FactKind  `json:"kind"`
	Component Component `json:"component,omitzero"`
	Site      Site      `json:"site,omitzero"`
	At        When      `json:"at,omitempty"` // when it took effect, as stated
	Value     string    `json:"value,omitempty"`
	Source    Source    `json:"source"`
	Basis     Basis     `json:"basis"`
	Certainty Certainty `json:"certainty,omitempty"`
}

// Version is what a source says that orders it among its own versions, and the hash that tells bodies apart.
type Version struct {
	ID          string    `json:"id,omitempty"`         // meta.versionId
	LastUpdated time.Time `json:"lastUpdated,omitzero"` // meta.lastUpdated
	MessageTime time.Time `json:"messageTime,omitzero"` // Bundle.timestamp of the message that carried it
	Hash        string    `json:"hash"`                 // SHA-256 of the resource's received bytes, hex
}

// Statement is one version of one source with all it says. It is the unit that is stored, replaced and folded.
type Statement struct {
	Key      string    `json:"key"`               // source key
	Type     string    `json:"type"`              // FHIR resource type
	Version  Version   `json:"version"`           //
	Patient  string    `json:"patient,omitempty"` // patient key as the source names it; a Device may have none
	Void     bool      `json:"void,omitempty"`    // entered in error: the source now says nothing
	Facts    []Fact    `json:"facts,omitempty"`
	Mentions []string  `json:"mentions,omitempty"` // keys of other sources it refers to (Device, Procedure, ...), sorted
	Person   *Person   `json:"person,omitempty"`   // a Patient resource
	Referral *Referral `json:"referral,omitempty"` // a ServiceRequest
	Findings []Finding `json:"findings,omitempty"` // what was mended, dropped or not understood
}

// Finding reports something about a message that reading it brought up: mended, dropped, or not understood.
// Words may hold patient data: show it to the sender and on the record, never log it.
type Finding struct {
	Severity string `json:"severity"` // of OperationOutcome.issue: error, warning, information
	Code     string `json:"code"`     // issue type, value set issue-type
	Path     string `json:"path,omitempty"`
	Text     string `json:"text"`            // says what and why, without the value
	Words    string `json:"words,omitempty"` // the value concerned
}
