package access

import "slices"

// Role is what a caller may do.
type Role string

// Roles. The first, Registry and Operator are also roles of machines.
const (
	Sender        Role = "sender"        // put messages in; reads nothing
	Registry      Role = "registry"      // pull or look at the pseudonymised months
	Operator      Role = "operator"      // see health, metrics, rejects, deliveries; no records
	Radiology     Role = "radiology"     // the orders of its sites with their verdicts
	Clinic        Role = "clinic"        // records of the patients its senders speak of, and their review
	Safety        Role = "safety"        // labelling, scanners, noted overrides, trace, audit
	Administrator Role = "administrator" // accounts and audit; no patient data
)

// PeopleRoles are the roles a person can be given, in the order they are shown.
func PeopleRoles() []Role {
	return []Role{Radiology, Clinic, Registry, Safety, Operator, Administrator}
}

// Right is one thing that a page or route needs.
type Right string

// Rights.
const (
	SeeOrders     Right = "see-orders"    // worklist and verdicts, acknowledge
	SeeRecords    Right = "see-records"   // implant records and cards
	Review        Right = "review"        // answer questions
	SeeMonths     Right = "see-months"    // pseudonymised registry months
	CloseMonths   Right = "close-months"  // close a month for good
	SeeLabelling  Right = "see-labelling" // labelling, scanners, noted overrides
	SeeTrace      Right = "trace"         // find who carries a device
	Operate       Right = "operate"       // lag, deliveries
	SeeRejects    Right = "see-rejects"   // what could not be read, without the words; replay it
	SetAside      Right = "set-aside"     // close a reject that keeps a patient's verdict open
	ManagePeople  Right = "manage-people" // accounts
	SeeAudit      Right = "see-audit"     // audit, with opaque ids
	BreakTheGlass Right = "break-glass"   // open a record outside one's scope, with a reason
	SendMessages  Right = "send-messages" // machines
)

// rights says what each role may do. What is not here is refused.
var rights = map[Role][]Right{
	Sender:        {SendMessages},
	Registry:      {SeeMonths, CloseMonths},
	Operator:      {Operate, SeeRejects},
	Radiology:     {SeeOrders, BreakTheGlass},
	Clinic:        {SeeRecords, Review, SeeTrace, SeeRejects, SetAside, BreakTheGlass},
	Safety:        {SeeLabelling, SeeTrace, SeeAudit, SeeRejects, SetAside},
	Administrator: {ManagePeople, SeeAudit},
}

// May says whether a role has a right.
func (r Role) May(right Right) bool { return slices.Contains(rights[r], right) }

// Person is somebody who is logged in.
type Person struct {
	Name    string   `json:"name"`              // login name or subject; [a-z0-9._@-]
	Display string   `json:"display,omitempty"` // as shown and written beside what they do
	Roles   []Role   `json:"roles"`
	Sites   []string `json:"sites,omitempty"`   // radiology sites whose orders they see
	Senders []string `json:"senders,omitempty"` // senders whose patients they see
}

// May says whether one of the person's roles has a right.
func (p Person) May(right Right) bool {
	return slices.ContainsFunc(p.Roles, func(r Role) bool { return r.May(right) })
}

// Everything in Sites or Senders means all of them.
const Everything = "*"

// OfSite says whether the person sees the orders of a radiology site.
func (p Person) OfSite(site string) bool { return inScope(p.Sites, site) }

// OfSender says whether the person sees the patients a sender speaks of.
func (p Person) OfSender(sender string) bool { return inScope(p.Senders, sender) }

func inScope(scope []string, what string) bool {
	return what != "" && (slices.Contains(scope, what) || slices.Contains(scope, Everything))
}
