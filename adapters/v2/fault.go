package v2

import "fmt"

// Codes of table 0357, message error condition codes (HL7 v2.5.1, npm hl7-dictionary 1.0.1).
const (
	codeSequence    = "100" // segment sequence error
	codeMissing     = "101" // required field missing
	codeType        = "102" // data type error
	codeTable       = "103" // table value not found
	codeMessageType = "200" // unsupported message type
	codeEvent       = "201" // unsupported event code
	codeProcessing  = "202" // unsupported processing id
	codeVersion     = "203" // unsupported version id
	codeUnknownKey  = "204" // unknown key identifier
	codeDuplicate   = "205" // duplicate key identifier
	codeInternal    = "207" // application internal error
)

// conditions are the texts of table 0357.
var conditions = map[string]string{
	codeSequence: "Segment sequence error", codeMissing: "Required field missing", codeType: "Data type error",
	codeTable: "Table value not found", codeMessageType: "Unsupported message type", codeEvent: "Unsupported event code",
	codeProcessing: "Unsupported processing id", codeVersion: "Unsupported version id",
	codeUnknownKey: "Unknown key identifier", codeDuplicate: "Duplicate key identifier",
	codeInternal: "Application internal error",
}

// Fault says why a message was not taken, and where. It carries no value of the message.
type Fault struct {
	Code    string // table 0357
	Text    string // for the people who run the sending system
	Segment string // "" the message as a whole
	Seq     int    // which of the segments of that name, 1 the first
	Field   int    // 0 the segment as a whole
	Comp    int    // 0 the field as a whole
	Reject  bool   // AR: nothing to do with the content, or a kind of message that is not taken; else AE
}

// Error names code, place and text.
func (f *Fault) Error() string { return fmt.Sprintf("%s %s: %s", f.Code, f.place(), f.Text) }

func (f *Fault) place() string {
	switch {
	case f.Segment == "":
		return "message"
	case f.Field == 0:
		return f.Segment
	case f.Comp == 0:
		return fmt.Sprintf("%s-%d", f.Segment, f.Field)
	}
	return fmt.Sprintf("%s-%d.%d", f.Segment, f.Field, f.Comp)
}

// at makes a fault in a field of a segment.
func (s Segment) fault(code string, field int, text string) *Fault {
	return &Fault{Code: code, Text: text, Segment: s.Name, Seq: max(s.Seq, 1), Field: field}
}
