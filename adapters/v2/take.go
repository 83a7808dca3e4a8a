package v2

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"go.uber.org/zap"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
)

// versions are those that are read.
var versions = map[string]bool{"2.3.1": true, "2.4": true, "2.5": true, "2.5.1": true}

// kinds are the messages that are read.
var kinds = map[string]string{"ORM": "O01", "OMI": "O23"}

// take brings one message to disk and gives the answer to it.
func (s *server) take(ctx context.Context, raw []byte, tooLarge bool) reply {
	m, f := Parse(raw, s.Charset)
	var head Segment
	switch {
	case f != nil || tooLarge:
		head = headOf(raw)
	default:
		head = m.Segments[0]
	}
	if tooLarge {
		f = &Fault{Code: codeInternal, Text: "the message is over the size limit of this receiver", Reject: true}
	}
	if f == nil {
		f = s.keep(ctx, m, raw)
	}
	if f != nil {
		s.Log.Warn("v2: message not taken", zap.String("sender", s.Sender), zap.String("code", f.Code),
			zap.String("at", f.place()), zap.String("cause", f.Text))
	}
	return s.answer(head, f, stampID(s.started, s.answers.Add(1)))
}

// keep checks, converts and hands on. It returns nil only when the message is on disk.
func (s *server) keep(ctx context.Context, m *Message, raw []byte) *Fault {
	if f := s.accepts(m.Segments[0]); f != nil {
		return f
	}
	body, f := s.Convert(m, raw)
	if f == nil {
		f = readable(body)
	}
	if f != nil {
		return f
	}
	ctx, cancel := context.WithTimeout(ctx, s.ReceiveTime)
	defer cancel()
	_, _, err := s.Receiver.Receive(ctx, s.Sender, contentType, body)
	var refusal *fhirjson.Refusal
	switch {
	case err == nil:
		return nil
	case errors.As(err, &refusal), errors.Is(err, pipeline.ErrTooLarge):
		return &Fault{Code: codeInternal, Text: "the message cannot be kept in the form it has"}
	}
	s.Log.Warn("v2: message not kept", zap.String("sender", s.Sender), zap.Error(err))
	return &Fault{Code: codeInternal, Text: "the message could not be kept now; send it again", Reject: true}
}

// accepts looks at the header.
func (s *server) accepts(msh Segment) *Fault {
	reject := func(code string, field int, text string) *Fault {
		f := msh.fault(code, field, text)
		f.Reject = true
		return f
	}
	kind, event := msh.Field(9).Comp(1).Text(), msh.Field(9).Comp(2).Text()
	switch {
	case !versions[msh.Field(12).Value()]:
		return reject(codeVersion, 12, "versions 2.3.1 to 2.5.1 are read")
	case kinds[kind] == "":
		return reject(codeMessageType, 9, "ORM^O01 and OMI^O23 are read")
	case event != kinds[kind]:
		return reject(codeEvent, 9, "ORM^O01 and OMI^O23 are read")
	case msh.Field(11).Value() != s.Processing:
		return reject(codeProcessing, 11, "this listener takes messages of processing id "+s.Processing+" only")
	case len(s.Applications) > 0 && !slices.Contains(s.Applications, msh.Field(3).Value()):
		return reject(codeTable, 3, "this sending application is not configured here")
	case msh.Field(10).Empty():
		return msh.fault(codeMissing, 10, "the message has no control id")
	}
	return nil
}

// readable reads the Bundle back the way the worker will, so that a message that would be refused later is refused
// now, while its sender waits.
func readable(body []byte) *Fault {
	bad := &Fault{Code: codeInternal, Text: "the order cannot be stated in FHIR"}
	msg, err := fhirjson.Split(body, fhirjson.DefaultLimits())
	if err != nil || len(msg.Bad) > 0 {
		return bad
	}
	for _, e := range msg.Entries {
		switch e.Type {
		case "Patient", "Encounter", "ServiceRequest", "DocumentReference":
			if _, _, err := fhirjson.Decode(e); err != nil {
				return bad
			}
		}
	}
	return nil
}

// headOf reads MSH alone, for the answer to a message that could not be read. It is empty when that fails too.
func headOf(raw []byte) Segment {
	raw = bytes.TrimLeft(raw, "\r\n")
	if i := bytes.IndexAny(raw, "\r\n"); i >= 0 {
		raw = raw[:i]
	}
	m, f := Parse(raw, "ISO-8859-1")
	if f != nil {
		return Segment{Name: "MSH"}
	}
	return m.Segments[0]
}
