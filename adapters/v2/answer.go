package v2

import (
	"fmt"
	"strings"
	"time"
)

// reply is what is owed for one message.
type reply struct {
	body   []byte // nil: the sender wants no answer
	code   string // of MSA-1, for the meter
	hangUp bool   // a failure that may not be answered is shown by closing the connection
}

// answer makes the ACK for a message. head is the MSH of the message, as far as it could be read; fault nil says
// that the message is on disk. In original mode, and where MSH-16 asks for it, the code is AA, AE or AR; where MSH-15
// asks for an accept acknowledgement it is CA, CE or CR (HL7 v2.5.1 chapter 2, table 0155).
func (cfg *Config) answer(head Segment, f *Fault, id string) reply {
	accept, application := strings.ToUpper(head.Field(15).Value()), strings.ToUpper(head.Field(16).Value())
	mode, wanted := "A", "AL"
	switch {
	case accept != "" && accept != "NE":
		mode, wanted = "C", accept
	case accept != "" || application != "":
		wanted = application
		if wanted == "" {
			wanted = "NE"
		}
	}
	code := mode + "A"
	if f != nil {
		code = mode + map[bool]string{true: "R", false: "E"}[f.Reject]
	}
	if wanted == "NE" || wanted == "ER" && f == nil || wanted == "SU" && f != nil {
		return reply{code: code, hangUp: f != nil}
	}
	return reply{body: cfg.ack(head, code, f, id), code: code}
}

// ack writes the message ACK: MSH, MSA and, for a failure, ERR in the form of the sender's version.
func (cfg *Config) ack(head Segment, code string, f *Fault, id string) []byte {
	d := Delims{'|', '^', '~', '\\', '&'}
	set := charset{ascii: true}
	if head.m != nil {
		set = head.m.charset
	}
	version := head.Field(12).Value()
	if !versions[version] {
		version = "2.5.1"
	}
	hd := func(n int) string {
		f := head.Field(n)
		var parts []string
		for i := 1; i <= 3; i++ {
			parts = append(parts, escape(d, f.Comp(i).Text()))
		}
		return strings.TrimRight(strings.Join(parts, "^"), "^")
	}
	event := escape(d, head.Field(9).Comp(2).Text())
	kind := strings.TrimRight("ACK^"+event+"^ACK", "^")
	if event == "" {
		kind = "ACK"
	}
	processing := escape(d, head.Field(11).Value())
	if processing == "" {
		processing = cfg.Processing
	}
	fields := []string{"MSH", `^~\&`, hd(5), hd(6), hd(3), hd(4), cfg.Now().In(cfg.location()).Format("20060102150405-0700"), "",
		kind, id, processing, version, "", "", "", "", "", escape(d, head.Field(18).Value())}
	lines := []string{strings.TrimRight(strings.Join(fields, "|"), "|"),
		"MSA|" + code + "|" + escape(d, head.Field(10).Value())}
	if f != nil {
		if version < "2.5" {
			lines[1] += "|" + escape(d, f.Text)
		}
		lines = append(lines, errSegment(d, f, version))
	}
	return set.encode(strings.Join(lines, "\r") + "\r")
}

// errSegment writes ERR: location, condition and severity since 2.5; before, one composite of the four.
func errSegment(d Delims, f *Fault, version string) string {
	num := func(n int) string {
		if n == 0 {
			return ""
		}
		return fmt.Sprint(n)
	}
	condition := conditions[f.Code]
	if version < "2.5" { // ELD: segment, sequence, field, code
		return fmt.Sprintf("ERR|%s^%s^%s^%s&%s&HL70357", f.Segment, num(f.Seq), num(f.Field), f.Code, escape(d, condition))
	}
	where := ""
	if f.Segment != "" { // ERL: segment, sequence, field, repetition, component
		where = strings.TrimRight(fmt.Sprintf("%s^%s^%s^^%s", f.Segment, num(f.Seq), num(f.Field), num(f.Comp)), "^")
	}
	return fmt.Sprintf("ERR||%s|%s^%s^HL70357|E||||%s", where, f.Code, escape(d, condition), escape(d, f.Text))
}

// stampID makes control ids of our own answers: when the listener started, and a number.
func stampID(started time.Time, n uint64) string { return fmt.Sprintf("%X-%d", started.Unix(), n) }
