package implant

// Kind is what sort of part a component is. The words are the trade's; an unlisted device is [Unidentified].
type Kind string

// The kinds of component. Generator to Catheter belong to an active system; Hardware is passive.
const (
	Generator    Kind = "generator" // implantable pulse generator, with battery
	Lead         Kind = "lead"      // conductor with electrodes
	Extension    Kind = "extension" // conductor between lead and generator
	Adaptor      Kind = "adaptor"   // joins a lead to a generator of another connector
	Anchor       Kind = "anchor"    // suture sleeve, clip or boot that holds a lead; passive
	Pump         Kind = "pump"      // implanted drug pump
	Catheter     Kind = "catheter"  // of a pump
	Hardware     Kind = "hardware"  // screws, cages, spacers, cement, joint implants: passive
	OtherActive  Kind = "other-active"
	Unidentified Kind = "unidentified" // seen or reported, kind not known
)

// Kinds lists every kind, in the order of the constants.
func Kinds() []Kind {
	return []Kind{Generator, Lead, Extension, Adaptor, Anchor, Pump, Catheter, Hardware, OtherActive, Unidentified}
}

// Conducts says whether a part of this kind left in the body is a conductor that can heat: true unless it is
// known to be passive small hardware. Doubt counts as yes.
func (k Kind) Conducts() bool { return k != Anchor && k != Hardware && k != Catheter }

// Component is a part as one source describes it. Every field may be empty.
type Component struct {
	Ref    string `json:"ref,omitempty"`    // key of the Device the source names
	Kind   Kind   `json:"kind,omitempty"`   //
	Words  string `json:"words,omitempty"`  // the source's own words for the kind
	Count  int    `json:"count,omitempty"`  // how many alike; 0 not stated
	Maker  string `json:"maker,omitempty"`  // manufacturer as recorded
	Model  string `json:"model,omitempty"`  // model number as recorded
	Name   string `json:"name,omitempty"`   // device name as recorded
	Serial string `json:"serial,omitempty"` //
	Lot    string `json:"lot,omitempty"`    //
	DI     string `json:"di,omitempty"`     // device identifier of the UDI, as issued (no check or flag characters)
	UDI    string `json:"udi,omitempty"`    // the carrier as printed or scanned
	Expiry When   `json:"expiry,omitempty"` //
	Made   When   `json:"made,omitempty"`   //
	Parent string `json:"parent,omitempty"` // key of the Device this is part of
	// Same names another Device key that this source says is the same object.
	Same string `json:"same,omitempty"`
}

// Side of the body.
type Side string

// Sides. Bilateral is a statement about a set of parts or a procedure, not about one lead.
const (
	Left      Side = "left"
	Right     Side = "right"
	Midline   Side = "midline"
	Bilateral Side = "bilateral"
)

// Site is where a part is, as one source says. Nerve and bony level are separate on purpose: writers say
// "L2 medial branch", "L3 lead" and "L2/3" of the same lead.
type Site struct {
	Region string `json:"region,omitempty"` // our word for a region, see package codes; "" not stated
	Side   Side   `json:"side,omitempty"`
	Level  string `json:"level,omitempty"`  // bony level or span of the part, "L3" or "T8-T9"
	Entry  string `json:"entry,omitempty"`  // level at which a lead enters the canal or muscle
	Tip    string `json:"tip,omitempty"`    // level of the lead's tip
	Nerve  string `json:"nerve,omitempty"`  // target nerve, "L2 medial branch"
	Pocket string `json:"pocket,omitempty"` // pocket site of a generator or pump, our region word
	Words  string `json:"words,omitempty"`  // the source's own words
}

// State is what became of a component, from the partial-explant conventions of the trade.
type State string

// States of a component. A removal is believed only on evidence that names what was removed whole.
const (
	Connected       State = "connected"        // in place and connected
	NotConnected    State = "not-connected"    // in place, not connected
	Capped          State = "capped"           // in place, capped
	Cut             State = "cut"              // cut, a part left in place
	RemovedWhole    State = "removed-whole"    //
	RemovedInPart   State = "removed-in-part"  // a fragment is retained
	ReportedRemoved State = "reported-removed" // somebody says it is out; unconfirmed
	RemovalToCome   State = "removal-to-come"  // a removal is dated after the moment the record is looked at, see Record.AsOf
	SoughtNotFound  State = "sought-not-found" // looked for and not found
	NeverImplanted  State = "not-implanted"    // opened and wasted, or the source was withdrawn
	StateUnknown    State = "unknown"
)

// InBody says whether a part in this state is, or may be, in the body. Only two states say no.
func (s State) InBody() bool { return s != RemovedWhole && s != NeverImplanted }

// Abandoned says whether the state is one of those that void a system's MR labelling: a part in place that no
// longer works as part of a system, or a remnant of one.
func (s State) Abandoned() bool {
	switch s {
	case NotConnected, Capped, Cut, RemovedInPart, SoughtNotFound:
		return true
	}
	return false
}

// MRStatus is a category of the MR marking standard (ASTM F2503, IEC 62570) or one of the further states a
// record needs beside the three.
type MRStatus string

// MR statuses. LabelSilent is a positive statement that the labelling has no MR information; the empty
// MRStatus says that nobody stated anything. Neither is MRSafe.
const (
	MRSafe        MRStatus = "MR Safe"
	MRConditional MRStatus = "MR Conditional"
	MRUnsafe      MRStatus = "MR Unsafe"
	LabelSilent   MRStatus = "labelling without MR information"
	NotEvaluated  MRStatus = "safety in MR not evaluated"
	MRConflict    MRStatus = "conflicting"
)
