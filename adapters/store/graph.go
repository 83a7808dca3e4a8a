package store

import (
	"slices"
	"strings"

	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

// Edge joins two patient keys, or a patient key and an identifier node, in the patient graph.
type Edge struct{ A, B string }

// identifierNode is how an identifier stands in the patient graph, and the patient key of a source that names
// its patient by an identifier only.
func identifierNode(id implant.Identifier) string {
	return "id:" + id.System + "|" + id.Value
}

// patientNodes gives the keys under which a statement about a patient is found: the patient it names, and for
// a Patient resource its own key.
func patientNodes(s implant.Statement) []string {
	var out []string
	if s.Patient != "" {
		out = append(out, s.Patient)
	}
	if s.Person != nil && s.Key != s.Patient {
		out = append(out, s.Key)
	}
	return out
}

// Edges gives the edges that one statement adds to the patient graph, each once, sorted, A before B in text
// order. Only a Patient resource adds any. The result is a superset of who is one person: package identity
// decides.
func Edges(s implant.Statement) []Edge {
	if s.Person == nil {
		return nil
	}
	nodes := patientNodes(s)
	var out []Edge
	add := func(a, b string) {
		if a == "" || b == "" || a == b {
			return
		}
		if b < a {
			a, b = b, a
		}
		out = append(out, Edge{a, b})
	}
	for _, n := range nodes[1:] {
		add(nodes[0], n)
	}
	for _, id := range s.Person.Identifiers {
		// What identity would not join by must not be walked; what it would, must.
		if (identity.ID{System: id.System, Value: id.Value, Use: id.Use}).Usable() {
			add(nodes[0], identifierNode(id))
		}
	}
	for _, l := range s.Person.Links {
		add(nodes[0], l.Other)
	}
	slices.SortFunc(out, func(x, y Edge) int {
		if c := strings.Compare(x.A, y.A); c != 0 {
			return c
		}
		return strings.Compare(x.B, y.B)
	})
	return slices.Compact(out)
}
