package intake

import (
	"fmt"
	"regexp"
	"strings"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/condition_go_proto"
	fpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/flag_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/observation_go_proto"
	qpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/questionnaire_response_go_proto"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// Problem lists, flags, observations and questionnaires tell of implants in passing ("presence of neurostimulator").
// Their words are read as remarks: they make a part possible, never certain, and take none out.

// told reads words that tell of an implant in passing.
func (r *reader) told(path string, at implant.When, words ...string) {
	ps := passage{path: path, kind: noteReport, at: at, certainty: implant.Possible}
	for _, ps.text = range words {
		r.remark(ps)
	}
}

// toldNotes reads the notes of a resource that tells of implants in passing.
func (r *reader) toldNotes(path string, at implant.When, notes []*dpb.Annotation) {
	for i, n := range notes {
		r.told(fmt.Sprintf("%s.note[%d].text", path, i), at, n.GetText().GetValue())
	}
}

// conditionResource reads a Condition. One that was refuted says nothing; one that is over may have left its device.
func (r *reader) conditionResource(c *cpb.Condition) {
	r.subject("Condition.subject", c.GetSubject())
	switch {
	case hasCode(c.GetVerificationStatus(), enteredInError):
		r.st.Void = true
	case hasCode(c.GetVerificationStatus(), "refuted"):
	default:
		r.condition("Condition", c)
	}
}

// listed is the value of what a problem list tells that nobody has taken off it.
const listed = "listed"

func (r *reader) condition(path string, c *cpb.Condition) {
	before := len(r.st.Facts)
	at := dateTime(c.GetRecordedDate())
	if w := dateTime(c.GetOnset().GetDateTime()); at == "" {
		at = w
	}
	r.toldConcept(path+".code", at, c.GetCode())
	r.toldNotes(path, at, c.GetNote())
	if hasCode(c.GetClinicalStatus(), "inactive") || hasCode(c.GetClinicalStatus(), "resolved") || hasCode(c.GetClinicalStatus(), "remission") {
		return
	}
	for i := before; i < len(r.st.Facts); i++ {
		if f := &r.st.Facts[i]; f.Kind == implant.PresentByWord && f.Value == "" {
			f.Value = listed
		}
	}
}

// toldConcept reads the words of a concept, and its codes where they say by themselves that an implant is there: many
// problem lists are codes alone.
func (r *reader) toldConcept(path string, at implant.When, c *dpb.CodeableConcept) {
	r.told(path, at, r.ownWords(c)...)
	r.toldCodes(path, at, codingsOf(c))
}

func (r *reader) toldCodes(path string, at implant.When, list []implant.Code) {
	for _, cd := range list {
		kind, words, ok := codes.Presence(cd)
		if !ok {
			continue
		}
		r.fact(implant.Fact{Kind: implant.PresentByWord, Component: implant.Component{Kind: kind, Words: words}, At: at,
			Certainty: implant.Possible}, path, strings.TrimSpace(firstOf(cd.Display, words)+" ("+cd.Code+")"))
		return
	}
}

func (r *reader) flagResource(f *fpb.Flag) {
	r.subject("Flag.subject", f.GetSubject())
	r.st.Void = codeOf(f.GetStatus().GetValue()) == enteredInError
	for _, cd := range f.GetCode().GetCoding() {
		if cd.GetSystem().GetValue() == implant.VerdictSystem {
			return // our own
		}
	}
	if !r.st.Void {
		at, _ := period(f.GetPeriod())
		r.toldConcept("Flag.code", at, f.GetCode())
	}
}

// measured says whether an Observation is a laboratory value or a vital sign: there "lead" is a metal, and such
// resources are too many to keep one statement for each.
func measured(o *opb.Observation) bool {
	for _, c := range o.GetCategory() {
		if hasCode(c, "laboratory") || hasCode(c, "vital-signs") {
			return true
		}
	}
	return false
}

func (r *reader) observationResource(o *opb.Observation) {
	r.subject("Observation.subject", o.GetSubject())
	switch codeOf(o.GetStatus().GetValue()) {
	case enteredInError, "cancelled":
		r.st.Void = true
	default:
		r.observation("Observation", o)
	}
}

// observation reads what is observed together with its value where that is words or yes and no. A measured value says
// nothing of what is in the body.
func (r *reader) observation(path string, o *opb.Observation) {
	if measured(o) {
		return
	}
	at := dateTime(o.GetEffective().GetDateTime())
	if w, ok := period(o.GetEffective().GetPeriod()); ok {
		at = w
	}
	v := o.GetValue()
	r.asked(path, at, label(o.GetCode()), v == nil && o.GetDataAbsentReason() == nil, answerWords(r, v.GetCodeableConcept(), v.GetStringValue(), v.GetBoolean())...)
	if !negatedRE.MatchString(label(o.GetCode())) {
		r.toldCodes(path, at, codingsOf(v.GetCodeableConcept()))
	}
	for i, c := range o.GetComponent() {
		v := c.GetValue()
		r.asked(fmt.Sprintf("%s.component[%d]", path, i), at, label(c.GetCode()), v == nil && c.GetDataAbsentReason() == nil,
			answerWords(r, v.GetCodeableConcept(), v.GetStringValue(), v.GetBoolean())...)
	}
	r.toldNotes(path, at, o.GetNote())
}

// negatedRE finds what turns a question round, so that "no" is no denial. Common practice, no source.
var negatedRE = regexp.MustCompile(`(?i)\b(no|not|none|never|without|free|absence|absent|lack\w*|den(y|ies|ied)|removed|\w+n't)\b`)

// asked reads a question with its answers. Without an answer it tells nothing, unless to name it is to tell it.
func (r *reader) asked(path string, at implant.When, question string, alone bool, answers ...string) {
	question = strings.TrimRight(strings.TrimSpace(question), "?: ")
	if alone {
		r.told(path+".code", at, question)
	}
	for _, a := range answers {
		if strings.EqualFold(a, "no") && !negatedRE.MatchString(question) {
			continue
		}
		if a != "" {
			r.told(path, at, strings.TrimPrefix(question+": "+a, ": "))
		}
	}
}

// answerWords gives the words of an answer.
func answerWords(r *reader, c *dpb.CodeableConcept, s *dpb.String, b *dpb.Boolean) []string {
	out := append(r.ownWords(c), text(s))
	switch {
	case b == nil || noValue(b.GetExtension()):
	case b.GetValue():
		out = append(out, "Yes")
	default:
		out = append(out, "No")
	}
	return out
}

func (r *reader) questionnaireResponse(q *qpb.QuestionnaireResponse) {
	r.subject("QuestionnaireResponse.subject", q.GetSubject())
	if r.st.Void = codeOf(q.GetStatus().GetValue()) == enteredInError; !r.st.Void {
		r.questionItems("QuestionnaireResponse", dateTime(q.GetAuthored()), q.GetItem(), 0)
	}
}

func (r *reader) questionItems(path string, at implant.When, list []*qpb.QuestionnaireResponse_Item, depth int) {
	for i, it := range list {
		here := fmt.Sprintf("%s.item[%d]", path, i)
		if depth == maxSections {
			r.fact(implant.Fact{Kind: implant.Unread, Value: "questions nested too deep"}, here, "")
			return
		}
		for j, a := range it.GetAnswer() {
			v := a.GetValue()
			words := append(answerWords(r, nil, v.GetStringValue(), v.GetBoolean()), text(v.GetCoding().GetDisplay()))
			on := fmt.Sprintf("%s.answer[%d]", here, j)
			r.asked(on, at, text(it.GetText()), false, words...)
			r.questionItems(on, at, a.GetItem(), depth+1)
		}
		r.questionItems(here, at, it.GetItem(), depth+1)
	}
}

func hasCode(c *dpb.CodeableConcept, code string) bool {
	for _, cd := range c.GetCoding() {
		if strings.TrimSpace(cd.GetCode().GetValue()) == code {
			return true
		}
	}
	return false
}

// toldInside reads the Conditions and Observations that an order or a report carries in itself.
func (r *reader) toldInside(at implant.When) {
	for i, a := range r.res.GetContained() {
		if i >= maxContained {
			return // said where they are opened
		}
		path := fmt.Sprintf("%s.contained[%d]", r.st.Type, i)
		switch x := unwrap(opened(a)).(type) {
		case *cpb.Condition:
			r.toldConcept(path+".code", at, x.GetCode())
			r.toldNotes(path, at, x.GetNote())
		case *opb.Observation:
			r.observation(path, x)
		}
	}
}
