package implant

// Code is a Coding as received.
type Code struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// Tri is a three-valued answer to a yes/no question.
type Tri string

// Answers.
const (
	Yes   Tri = "yes"
	No    Tri = "no"
	Maybe Tri = "maybe"
)

// Referral is an order as one ServiceRequest states it.
type Referral struct {
	Status       string   `json:"status"` // request-status
	Intent       string   `json:"intent"`
	Priority     string   `json:"priority,omitempty"`
	DoNotPerform bool     `json:"doNotPerform,omitempty"`
	MR           Tri      `json:"mr"` // is this an order for a magnetic resonance examination?
	MRWhy        string   `json:"mrWhy,omitempty"`
	Codes        []Code   `json:"codes,omitempty"`
	Text         string   `json:"text,omitempty"`      // code.text and orderDetail texts, joined
	Remarks      []string `json:"remarks,omitempty"`   // notes: they may ask for more than the code does
	Reasons      []string `json:"reasons,omitempty"`   // reasons and instructions to the patient: so may they
	BodySites    []Code   `json:"bodySites,omitempty"` // with text in Display where uncoded
	Laterality   Side     `json:"laterality,omitempty"`
	Authored     When     `json:"authored,omitempty"`
	Occurrence   When     `json:"occurrence,omitempty"` // when the exam is to be done
	Requester    string   `json:"requester,omitempty"`
	Performer    string   `json:"performer,omitempty"` // key or display of whom it is addressed to
	PerformerID  string   `json:"performerId,omitempty"`
	Replaces     []string `json:"replaces,omitempty"`
}

// NoteAuthor marks our own note on an order. It says what the record says already, so it is not read when it comes back.
const NoteAuthor = "Gaussline implant record (decision support)"

// VerdictSystem is the code system of our verdicts. A Flag that carries one is ours, and is not read when it comes back.
const VerdictSystem = "http://gaussline.invalid/CodeSystem/verdict"

// Open says whether a verdict is owed: the order may still be carried out.
func (r Referral) Open() bool {
	if r.DoNotPerform {
		return false
	}
	switch r.Status {
	case "draft", "active", "on-hold", "unknown", "":
		return true
	}
	return false
}
