package cds

import (
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
)

// request is a call of a hook (CDS, calling a service). fhirServer and fhirAuthorization are not used: the answer
// rests on the record alone, and the token is none of our business.
type request struct {
	Hook         string                     `json:"hook"`
	HookInstance string                     `json:"hookInstance"`
	Context      hookContext                `json:"context"`
	Prefetch     map[string]json.RawMessage `json:"prefetch"`
}

// hookContext is the context of order-select and order-sign. DraftOrders is a Bundle whose type the specification's
// own examples leave out, so it is not read as one.
type hookContext struct {
	UserID      string   `json:"userId"`
	PatientID   string   `json:"patientId"`
	Selections  []string `json:"selections"`
	DraftOrders struct {
		Entry []struct {
			FullURL  string          `json:"fullUrl"`
			Resource json.RawMessage `json:"resource"`
		} `json:"entry"`
	} `json:"draftOrders"`
}

var (
	uuidRE = regexp.MustCompile(`^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$`)
	idRE   = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`) // FHIR R4, id
)

// check refuses what the specification requires and is missing.
func (q *request) check(d definition) error {
	bad := func(text string) error { return failure{http.StatusBadRequest, text} }
	q.Context.PatientID = strings.TrimPrefix(q.Context.PatientID, "Patient/") // a bare id; some clients send a reference
	switch {
	case q.Hook != d.Hook:
		return bad("this service answers the hook " + d.Hook)
	case !uuidRE.MatchString(q.HookInstance):
		return bad("hookInstance is required and is a UUID")
	case q.Context.UserID == "":
		return bad("context.userId is required")
	case !idRE.MatchString(q.Context.PatientID):
		return bad("context.patientId is required and is a resource id")
	case q.Context.DraftOrders.Entry == nil:
		return bad("context.draftOrders is required and is a Bundle of draft orders")
	case d.Hook == "order-select" && q.Context.Selections == nil:
		return bad("context.selections is required")
	}
	return nil
}

// draft is one draft order of the session that may be an imaging order.
type draft struct {
	ref string // Type/id, "" when it has no id
	raw json.RawMessage
}

// drafts gives the ServiceRequests asked about: all of order-sign; of order-select those newly selected, or all when
// a selection names none that is there.
func (q *request) drafts(hook string) []draft {
	var all, selected []draft
	missing := false
	for _, e := range q.Context.DraftOrders.Entry {
		var head struct{ ResourceType, ID string }
		if json.Unmarshal(e.Resource, &head) != nil || head.ResourceType != "ServiceRequest" {
			continue // other kinds of order are no imaging
		}
		d := draft{raw: e.Resource}
		if head.ID != "" {
			d.ref = "ServiceRequest/" + head.ID
		}
		all = append(all, d)
		if d.ref != "" && named(q.Context.Selections, d.ref, e.FullURL) {
			selected = append(selected, d)
		}
	}
	for _, s := range q.Context.Selections {
		missing = missing || !q.has(s)
	}
	if hook != "order-select" || missing {
		return all
	}
	return selected
}

func named(selections []string, ref, fullURL string) bool {
	for _, s := range selections {
		if s == ref || s == fullURL || strings.HasSuffix(s, "/"+ref) {
			return true
		}
	}
	return false
}

// has says whether a selection names an entry of the draft orders.
func (q *request) has(selection string) bool {
	for _, e := range q.Context.DraftOrders.Entry {
		var head struct{ ResourceType, ID string }
		_ = json.Unmarshal(e.Resource, &head)
		if selection == e.FullURL || head.ID != "" && named([]string{selection}, head.ResourceType+"/"+head.ID, e.FullURL) {
			return true
		}
	}
	return false
}

// devices gives the ids of the devices sent along. state is "absent" when the key is missing or null, "failed"
// when something else than devices stands there, "given" otherwise (CDS, prefetch: the service checks every value).
func (q *request) devices() (ids []string, state string) {
	raw, ok := q.Prefetch[prefetchDevices]
	if !ok || string(raw) == "null" {
		return nil, "absent"
	}
	var b struct {
		ResourceType string
		Entry        []struct {
			Resource struct {
				ResourceType, ID, Status string
			}
		}
		Link []struct{ Relation string }
	}
	if json.Unmarshal(raw, &b) != nil || b.ResourceType != "Bundle" {
		return nil, "failed"
	}
	state = "given"
	for _, e := range b.Entry {
		switch r := e.Resource; {
		case r.ResourceType == "OperationOutcome":
			state = "failed"
		case r.ResourceType == "Device" && r.ID != "" && r.Status != "entered-in-error":
			ids = append(ids, r.ID)
		}
	}
	return ids, state
}
