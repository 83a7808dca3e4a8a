package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/udi"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	vpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/device_go_proto"
)

// deviceResource reads a Device that stands by itself.
func (r *reader) deviceResource(d *vpb.Device) {
	if codeOf(d.GetStatus().GetValue()) == enteredInError {
		r.st.Void = true
	}
	r.subject("Device.patient", d.GetPatient())
	if r.st.Void {
		return
	}
	r.describe(d, r.st.Key, "Device")
	ps := passage{kind: noteDevice, title: label(d.GetType()), certainty: implant.Possible}
	for i, n := range d.GetNote() {
		ps.path, ps.text = fmt.Sprintf("Device.note[%d].text", i), n.GetText().GetValue()
		r.prose(ps)
	}
}

// describe makes the facts of a Device known by key, standing by itself or contained: what it is, its MR label,
// its function, and what its status reports.
func (r *reader) describe(d *vpb.Device, key, path string) {
	c := implant.Component{Ref: key, Maker: text(d.GetManufacturer()), Model: text(d.GetModelNumber()),
		Serial: text(d.GetSerialNumber()), Lot: text(d.GetLotNumber()),
		Expiry: dateTime(d.GetExpirationDate()), Made: dateTime(d.GetManufactureDate())}
	parent := r.resolve(d.GetParent(), "Device")
	c.Parent = parent.key
	r.mention(parent.key)
	c.Name = deviceName(d, &c)
	r.kind(d, &c, path)
	r.carriers(d, &c, path)
	r.otherNumbers(d, &c, path)
	r.fact(implant.Fact{Kind: implant.Described, Component: c}, path, firstOf(c.Name, c.Words, c.Model))
	self := implant.Component{Ref: key}
	r.safety(d.GetSafety(), self, path)
	r.deviceStatus(d, self, path)
}

// text gives a string element, trimmed.
func text(s *dpb.String) string { return strings.TrimSpace(s.GetValue()) }

func firstOf(list ...string) string {
	for _, s := range list {
		if s != "" {
			return s
		}
	}
	return ""
}

// deviceName picks the name a person would use. A name of type model-name fills an empty model.
func deviceName(d *vpb.Device, c *implant.Component) string {
	rank := map[string]int{"user-friendly-name": 1, "udi-label-name": 2, "manufacturer-name": 3, "other": 4, "patient-reported-name": 5, "model-name": 6}
	best, name := 99, ""
	for _, n := range d.GetDeviceName() {
		typ, v := codeOf(n.GetType().GetValue()), text(n.GetName())
		if typ == "model-name" && c.Model == "" {
			c.Model = v
		}
		if k, ok := rank[typ]; v != "" && ok && k < best {
			best, name = k, v
		}
	}
	return name
}

// kind sets the kind of part and the words for it. Two different kinds from code and words make it unidentified
// and a question.
func (r *reader) kind(d *vpb.Device, c *implant.Component, path string) {
	codings, txt := concept(d.GetType())
	var kinds []implant.Kind
	add := func(k implant.Kind, ok bool) {
		if ok && k != implant.Unidentified && !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	for _, cd := range codings {
		add(codes.Kind(cd))
		add(codes.KindText(cd.Display))
	}
	add(codes.KindText(txt))
	if len(kinds) == 0 {
		for _, n := range d.GetDeviceName() {
			add(codes.KindText(text(n.GetName())))
		}
	}
	c.Words = allWords(d.GetType())
	// A code for the whole system and a word for one of its parts are no contradiction: the part it is.
	if len(kinds) == 2 && slices.Contains(kinds, implant.OtherActive) {
		kinds = slices.DeleteFunc(kinds, func(k implant.Kind) bool { return k == implant.OtherActive })
	}
	switch {
	case len(kinds) == 1:
		c.Kind = kinds[0]
	case len(kinds) > 1:
		c.Kind = implant.Unidentified
		r.doubt(implant.AskIdentityConflict, implant.Component{Ref: c.Ref}, path+".type", c.Words)
	}
}

// ruleYear stands for the present where a message says nothing of its time: the core has no clock. It decides only
// which century a two-digit year of a carrier lies in.
const ruleYear = 2026

// refYear is the year that two-digit years of a carrier are resolved against: what the source says of its own time.
func (r *reader) refYear() int {
	for _, t := range []time.Time{r.st.Version.LastUpdated, r.b.env.MessageTime} {
		if !t.IsZero() {
			return t.Year()
		}
	}
	return ruleYear
}

// carriers reads every UDI carrier and fills what the Device's own fields do not say. What they say differently
// is a question: nothing forces a sender to keep the two alike.
func (r *reader) carriers(d *vpb.Device, c *implant.Component, path string) {
	for i, u := range d.GetUdiCarrier() {
		at := fmt.Sprintf("%s.udiCarrier[%d]", path, i)
		raws := []struct{ path, raw string }{
			{at + ".carrierHRF", text(u.GetCarrierHrf())},
			{at + ".carrierAIDC", string(u.GetCarrierAidc().GetValue())},
		}
		for _, x := range raws {
			if strings.TrimSpace(x.raw) != "" {
				r.carrier(x.raw, c, x.path)
			}
		}
		if di := text(u.GetDeviceIdentifier()); di != "" {
			if res := udi.Parse(di, r.refYear()); res.DI != "" && res.Check != udi.CheckFailed {
				r.agree(&c.DI, res.DI, c, "device identifier", at+".deviceIdentifier")
			} else {
				r.agree(&c.DI, di, c, "device identifier", at+".deviceIdentifier")
			}
		}
	}
	if din := text(d.GetDistinctIdentifier()); din != "" {
		r.finding("information", "informational", path+".distinctIdentifier", "a donation identification is kept and is no serial number", din)
	}
}

// carrier reads one printed or scanned string.
func (r *reader) carrier(raw string, c *implant.Component, path string) {
	res := udi.Parse(raw, r.refYear())
	if c.UDI == "" {
		c.UDI = strings.ToValidUTF8(raw, "\uFFFD")
	}
	if res.Check == udi.CheckFailed || !res.OK() {
		r.doubt(implant.AskIdentityDoubtful, implant.Component{Ref: c.Ref}, path, strings.ToValidUTF8(raw, "\uFFFD"))
		for _, p := range res.Problems {
			r.finding("warning", "value", path, "device identifier: "+p.Text, "")
		}
	}
	r.agree(&c.DI, res.DI, c, "device identifier", path)
	r.agree(&c.Serial, res.Serial, c, "serial", path)
	r.agree(&c.Lot, res.Lot, c, "lot", path)
	r.agreeDate(&c.Expiry, res.Expiry, c, "expiry", path)
	r.agreeDate(&c.Made, res.Made, c, "manufacture", path)
}

// agree fills an empty field and asks about a different one. The first value stays.
func (r *reader) agree(field *string, v string, c *implant.Component, what, path string) {
	switch {
	case v == "":
	case *field == "":
		*field = v
	case !strings.EqualFold(strings.TrimLeft(*field, "0"), strings.TrimLeft(v, "0")):
		r.doubt(implant.AskIdentityConflict, implant.Component{Ref: c.Ref}, path, what+": "+*field+" / "+v)
	}
}

func (r *reader) agreeDate(field *implant.When, d udi.Date, c *implant.Component, what, path string) {
	v, err := implant.ParseWhen(d.Day())
	switch {
	case err != nil || v == "":
	case *field == "":
		*field = v
	case !overlap(*field, v):
		r.doubt(implant.AskIdentityConflict, implant.Component{Ref: c.Ref}, path, what+": "+string(*field)+" / "+string(v))
	}
}

// overlap says whether two dates can mean the same day.
func overlap(a, b implant.When) bool { return !a.Before(b) && !b.Before(a) }

// otherNumbers reads identifiers that are a serial number or a carrier by their type or system, and reports the
// rest, which has no field of ours. Types are of v2-0203: SNO serial number, UDI device identifier.
func (r *reader) otherNumbers(d *vpb.Device, c *implant.Component, path string) {
	for i, id := range identifiers(d.GetIdentifier()) {
		at := fmt.Sprintf("%s.identifier[%d]", path, i)
		switch {
		case id.Type == "SNO":
			r.agree(&c.Serial, id.Value, c, "serial", at)
		case id.Type == "UDI" || udi.IssuerOf(id.System) != "" || strings.HasSuffix(strings.ToLower(id.System), "fda-udi"):
			r.carrier(id.Value, c, at)
		default:
			r.finding("information", "informational", at, "an identifier of the device is kept", id.System+"|"+id.Value)
		}
	}
	if p := text(d.GetPartNumber()); p != "" {
		r.finding("information", "informational", path+".partNumber", "a part number is kept", p)
	}
	for i, p := range d.GetProperty() {
		r.finding("information", "informational", fmt.Sprintf("%s.property[%d]", path, i), "a property of the device is kept and not read", allWords(p.GetType()))
	}
}

// safety reads the statements about MR. Several may stand side by side; the fold takes the most cautious.
func (r *reader) safety(list []*dpb.CodeableConcept, self implant.Component, path string) {
	for i, s := range list {
		at := fmt.Sprintf("%s.safety[%d]", path, i)
		codings, txt := concept(s)
		coded, other := false, false
		for _, cd := range codings {
			status, ok := codes.MRSafety(cd)
			other = other || codes.NotAboutMR(cd)
			if ok {
				coded = true
				r.fact(implant.Fact{Kind: implant.MRLabel, Component: self, Value: string(status)}, at, firstOf(cd.Display, cd.Code))
			}
		}
		r.safetyWords(append(displays(codings), txt), coded, self, at)
		if _, mr := codes.MRSafetyText(allWords(s)); !coded && !other && !mr {
			r.finding("information", "code-invalid", at, "a safety statement is kept and not understood", allWords(s))
		}
	}
}

// safetyWords reads the words beside or instead of a code: "unsafe" counts, every other wording is quoted and
// asked about unless a code says what it means.
func (r *reader) safetyWords(words []string, coded bool, self implant.Component, path string) {
	asked := false
	for _, w := range words {
		status, mr := codes.MRSafetyText(w)
		switch {
		case status != "":
			r.fact(implant.Fact{Kind: implant.MRLabel, Component: self, Value: string(status)}, path, w)
		case mr && !coded && !asked:
			asked = true
			r.doubt(implant.AskLabelOldWords, self, path, w)
		}
	}
}

// deviceStatus reads status and implant status. "active" puts a device into a patient only where the Device
// names one; without a patient it says that the thing may be used, which the fold must not take for presence.
func (r *reader) deviceStatus(d *vpb.Device, self implant.Component, path string) {
	status := codeOf(d.GetStatus().GetValue())
	hasPatient := d.GetPatient() != nil
	switch status {
	case "active":
		if hasPatient {
			r.fact(implant.Fact{Kind: implant.PresentByWord, Component: self}, path+".status", status)
		}
	case "inactive":
		r.fact(implant.Fact{Kind: implant.ReportedGone, Component: self}, path+".status", status)
	case enteredInError: // a contained one: what stands by itself is void
		r.doubt(implant.AskStatesConflict, self, path+".status", status)
	}
	for _, e := range d.GetExtension() {
		if e.GetUrl().GetValue() != extImplantStatus {
			continue
		}
		code := firstOf(e.GetValue().GetCode().GetValue(), text(e.GetValue().GetStringValue()))
		if f, ok := codes.Function(code); ok {
			r.fact(implant.Fact{Kind: implant.Function, Component: self, Value: f}, path+".extension(implantStatus)", code)
		} else {
			r.doubt(implant.AskCodeUnknown, self, path+".extension(implantStatus)", code)
		}
		if status != "active" {
			r.finding("warning", "business-rule", path+".extension(implantStatus)", "an implant status is allowed only while the device is active", status)
		}
	}
}
