package mri

import (
	"time"

	"gaussline/mapping/implant"
)

// Verdict is what the labelling says about one patient, exam and site at one moment. It is a value of codes,
// numbers and evidence; every sentence about it is in package banner. Equal inputs in any order give equal bytes.
type Verdict struct {
	Kind Kind         `json:"kind"`
	AsOf implant.When `json:"asOf"`           // the record, labelling and day it was decided on
	Site string       `json:"site,omitempty"` // of the policy
	Exam Exam         `json:"exam"`
	// Scanners has an answer for every scanner of the site, in the order of their IDs.
	Scanners []ScannerAnswer `json:"scanners,omitempty"`
	// Limits are the most restrictive numbers over the scanners and ways that hold; per quantity, never across.
	Limits []Limit `json:"limits,omitempty"`
	// Confirm is all that is to be confirmed on the scanners that hold, each once.
	Confirm []Condition `json:"confirm,omitempty"`
	// Reasons are what stops, or would stop, independent of the scanner; those of a scanner are in its answer.
	Reasons []Reason `json:"reasons,omitempty"`
	// EarliestChange is the first day on which the answer would be another because healing times have passed;
	// "" when none would change it.
	EarliestChange implant.When `json:"earliestChange,omitempty"`
	// Combined says that more than one active system is, or may be, in the body: combined conditions are
	// arithmetic, not a tested condition.
	Combined bool        `json:"combined,omitempty"`
	Cautions []string    `json:"cautions"` // codes, see the Caution constants
	Labels   []LabelRef  `json:"labels,omitempty"`
	Trace    []TraceLine `json:"trace,omitempty"` // only when the policy asks for it
}

// ScannerAnswer is the answer for one scanner.
type ScannerAnswer struct {
	ID    string `json:"id"`
	Site  string `json:"site,omitempty"`
	Name  string `json:"name,omitempty"`
	Truth Truth  `json:"truth"` // met: within the label if the confirm list of a way is confirmed
	// Ways are the combinations of condition sets, one of each label, that hold here; the first is the first in
	// the order of the labels. Not more than MaxWays.
	Ways []Way `json:"ways,omitempty"`
	// Reasons are what fails or is unknown here, for every way that does not hold.
	Reasons []Reason `json:"reasons,omitempty"`
	// EarliestChange is the first day on which this scanner would hold; "" when no day would do.
	EarliestChange implant.When `json:"earliestChange,omitempty"`
}

// Way is one combination of condition sets, one for each label concerned, and what follows from it.
type Way struct {
	Sets    []string    `json:"sets"` // "document/system#set", sorted
	Limits  []Limit     `json:"limits,omitempty"`
	Confirm []Condition `json:"confirm,omitempty"`
}

// Limit is a number not to be exceeded ("scan-time" and SAR alike) or, for waits, to be kept at least.
type Limit struct {
	Code string `json:"code"` // element code, see the Element constants
	Quantity
	Words string `json:"words,omitempty"` // the label's sentence
	Set   string `json:"set"`             // the condition set that it comes from
}

// Phase says when something is to be confirmed.
type Phase string

// Phases.
const (
	Before Phase = "before"
	During Phase = "during"
	After  Phase = "after"
)

// Condition is something to be confirmed, kept or done at the scanner.
type Condition struct {
	Code  string   `json:"code"` // element or check code
	Phase Phase    `json:"phase"`
	Args  []string `json:"args,omitempty"`  // permitted values, or the number with its unit
	Words []string `json:"words,omitempty"` // the labels' sentences
	Sets  []string `json:"sets,omitempty"`  // the condition sets that ask for it
}

// Reason is why an answer is not better, as a code with its arguments.
type Reason struct {
	Code     string           `json:"code"` // see the Why constants
	Truth    Truth            `json:"truth"`
	Part     string           `json:"part,omitempty"` // part ID of the record
	Args     []string         `json:"args,omitempty"` // documented at each code
	Set      string           `json:"set,omitempty"`  // label or condition set concerned
	Words    string           `json:"words,omitempty"`
	Edition  string           `json:"edition,omitempty"`
	Evidence []implant.Source `json:"evidence,omitempty"`
}

// LabelRef names a document that the verdict relied on, with its edition (R18).
type LabelRef struct {
	Document string       `json:"document"`
	Title    string       `json:"title,omitempty"`
	Edition  string       `json:"edition,omitempty"`
	Issued   implant.When `json:"issued,omitempty"`
	Reviewed implant.When `json:"reviewed,omitempty"`
	Stale    bool         `json:"stale,omitempty"`
}

// TraceLine is one condition against one piece of evidence.
type TraceLine struct {
	Scanner string `json:"scanner,omitempty"` // "" does not depend on the scanner
	Set     string `json:"set,omitempty"`
	Code    string `json:"code"`
	Truth   Truth  `json:"truth"`
	Label   string `json:"label,omitempty"`   // what the label states, or its words
	Edition string `json:"edition,omitempty"` // of the document
	Seen    string `json:"seen,omitempty"`    // what the record, exam or scanner states
	Part    string `json:"part,omitempty"`
	// ToConfirm says that an unknown is one for the confirm list.
	ToConfirm bool `json:"toConfirm,omitempty"`
}

// Policy is what a site decides about deciding.
type Policy struct {
	// ReviewInterval is how long a reviewed label stays good. 0 or less means DefaultReviewInterval.
	ReviewInterval time.Duration
	// Site restricts the scanners to those of one site; "" takes all.
	Site string
	// Trace asks for every condition in Verdict.Trace (for an explanation; slower).
	Trace bool
}

// DefaultReviewInterval is one year: common practice, no source.
const DefaultReviewInterval = 365 * 24 * time.Hour

// MaxWays is how many ways of one scanner are listed.
const MaxWays = 4

// Caution codes of Verdict.Cautions. Source: RULES.md, "Cautions".
const (
	CautionDecisionSupport = "decision-support"      // the MR medical director decides
	CautionLabelOfTheDay   = "labelling-of-the-day"  // current labelling of every component governs
	CautionNoClearance     = "not-a-clearance"       //
	CautionRecord          = "record-may-lack"       // the record may be incomplete
	CautionRescreen        = "re-screen"             // just before entry, whatever the record says
	CautionDeviceCheck     = "device-check"          // by a trained person, before and after
	CautionIdentify        = "identify-first"        // unknown, unlabelled, abandoned, damaged: identify first
	CautionCombined        = "combined-arithmetic"   // combined conditions are arithmetic, not a tested condition
	CautionNoRecord        = "no-record-no-proof"    // nothing recorded is not "no implant"
	CautionQuestions       = "open-questions"        // questions are open on the record
	CautionEmergency       = "emergency-human"       // an emergency override is a human decision made elsewhere
	CautionOldWords        = "old-words-quoted"      // old wording is quoted and not used as a status
	CautionPlannedDatePast = "planned-date-in-past"  // the planned date is over; decided for the as-of day
	CautionReviewDue       = "label-review-due-soon" // a label turns stale before the planned date
)
