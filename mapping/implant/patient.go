package implant

// Identifier is a business identifier: system URI and value, canonical (trimmed).
type Identifier struct {
	System string `json:"system,omitempty"`
	Value  string `json:"value"`
	Type   string `json:"type,omitempty"` // v2-0203 code: MR, NI, SS ...
	Use    string `json:"use,omitempty"`  // usual, official, temp, secondary, old
}

// PatientLink is Patient.link: another key that is, or replaces, or refers to this patient.
type PatientLink struct {
	Other string `json:"other"`
	Type  string `json:"type"` // replaced-by, replaces, refer, seealso
}

// Person is what a Patient resource says of who it is. It is never logged.
type Person struct {
	Identifiers []Identifier  `json:"identifiers,omitempty"`
	Family      string        `json:"family,omitempty"`
	Given       string        `json:"given,omitempty"`
	Birth       When          `json:"birth,omitempty"`
	Sex         string        `json:"sex,omitempty"` // administrative gender code
	Died        When          `json:"died,omitempty"`
	Deceased    bool          `json:"deceased,omitempty"`
	Links       []PatientLink `json:"links,omitempty"`
	Inactive    bool          `json:"inactive,omitempty"`
}
