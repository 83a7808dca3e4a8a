package cds

import "net/http"

// Ids of the services, and the hooks they answer.
const (
	SelectService = "implant-order-select"
	SignService   = "implant-order-sign"
)

// prefetchDevices asks for the patient's devices: those that the record has not seen make the answer more cautious.
const prefetchDevices = "devices"

// definition is a service as discovery names it (CDS, discovery).
type definition struct {
	Hook        string            `json:"hook"`
	ID          string            `json:"id"`
	Title       string            `json:"title"`
	Description string            `json:"description"`
	Prefetch    map[string]string `json:"prefetch"`
	Usage       string            `json:"usageRequirements"`
}

// definitions are the services. The prefetch template is of the portable subset (CDS, prefetch: type search by a
// reference token).
var definitions = []definition{
	{"order-select", SelectService, "Implants before an MR is ordered", describe, map[string]string{prefetchDevices: "Device?patient={{context.patientId}}"}, usage},
	{"order-sign", SignService, "Implants before an MR order is signed", describe, map[string]string{prefetchDevices: "Device?patient={{context.patientId}}"}, usage},
}

const (
	describe = "For each draft order that is, or could be, an MR: what is recorded in the patient's body, what the MR labelling says of it, and what is still to be confirmed. Decision support; not a clearance."
	usage    = "The patient id must be the one under which this system sends its FHIR messages. Prefetch is optional: the answer rests on the implant record; devices sent along can only make it more cautious."
)

func (s *Service) discover(w http.ResponseWriter, _ *http.Request, _ Client) error {
	return writeJSON(w, map[string]any{"services": definitions})
}

func definitionOf(id string) (definition, bool) {
	for _, d := range definitions {
		if d.ID == id {
			return d, true
		}
	}
	return definition{}, false
}
