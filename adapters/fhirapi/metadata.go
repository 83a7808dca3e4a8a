package fhirapi

import (
	"net/http"

	"gaussline/mapping/intake"
)

// capabilityDate is when what the statement says last changed.
const capabilityDate = "2026-11-28"

// readTypes are the resource types that the mapping reads, in the order the statement lists them.
var readTypes = []string{"AllergyIntolerance", "BodyStructure", "CarePlan", "ClinicalImpression", "Composition", "Condition", "Device",
	"DeviceRequest", "DeviceUseStatement", "DiagnosticReport", "DocumentReference", "Encounter", "Flag", "Observation", "Organization", "Patient", "Practitioner", "Procedure",
	"QuestionnaireResponse", "ServiceRequest"}

// metadata answers with what this server really does: it takes resources in and gives none out.
func (a *API) metadata(w http.ResponseWriter, _ *http.Request) {
	var resources []any
	for _, t := range readTypes {
		if !intake.Reads(t) {
			continue // the statement must not promise what the mapping does not read
		}
		resources = append(resources, map[string]any{"type": t,
			"interaction":   []any{map[string]any{"code": "create"}, map[string]any{"code": "update"}},
			"versioning":    "versioned",
			"updateCreate":  true,
			"documentation": "Kept as received and read into the implant record. Accepted with 202 before it is read.",
		})
	}
	rest := map[string]any{
		"mode":          "server",
		"documentation": "An inbox: nothing can be read or searched here. Bundles of type message, transaction, batch and collection are taken at the base; the entries of a document, searchset or history are read as those of a collection. Every accepted message is on disk before the answer.",
		"security":      map[string]any{"description": "Bearer token for each sender."},
		"resource":      resources,
		"interaction":   []any{map[string]any{"code": "transaction"}, map[string]any{"code": "batch"}},
		"operation":     []any{map[string]any{"name": "process-message", "definition": "http://hl7.org/fhir/OperationDefinition/MessageHeader-process-message"}},
	}
	if a.Outcomes != nil {
		rest["documentation"] = rest["documentation"].(string) + " Its Location says, to its sender alone, what was refused or mended in it, as an OperationOutcome; 202 until it is read."
	}
	statement := map[string]any{
		"resourceType": "CapabilityStatement", "status": "active", "date": capabilityDate, "kind": "instance",
		"fhirVersion": "4.0.1", "format": []any{"application/fhir+json"},
		"software":       map[string]any{"name": "Gaussline", "version": a.Version},
		"implementation": map[string]any{"description": "Implant referrals, MR warnings and registry export. Decision support: the MR medical director, local policy and current labelling decide."},
		"rest":           []any{rest},
	}
	if a.BaseURL != "" {
		statement["implementation"].(map[string]any)["url"] = a.BaseURL
	}
	writeJSON(w, "application/fhir+json; charset=utf-8", statement)
}
