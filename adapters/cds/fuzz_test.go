package cds_test

import (
	"encoding/json"
	"testing"

	"gaussline/adapters/cds"
)

// FuzzHook: whatever is sent, the answer is an outcome or a response that the specification's tables take.
func FuzzHook(f *testing.F) {
	s := newServer(f)
	for _, body := range []string{benchBody(), hookBody("order-sign", "unsafe", "", `{"devices":null}`, serviceRequest("o", "unsafe", "MR brain")),
		hookBody("order-sign", "nobody", "", "", `{"resourceType":"ServiceRequest"}`, `7`, `{"resourceType":"ServiceRequest","note":"x","id":"a"}`), `{}`, `[]`} {
		f.Add([]byte(body))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		w := s.do("POST", "/cds-services/"+cds.SignService, string(body))
		var v map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
			t.Fatalf("%d: %v", w.Code, err)
		}
		switch w.Code {
		case 200:
			for _, err := range responseFaults(v) {
				t.Error(err)
			}
		case 400, 413:
		default:
			t.Fatalf("status %d", w.Code)
		}
	})
}
