package cds_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gaussline/adapters/cds"
	"gaussline/adapters/fhirjson"
)

// benchBody is a call with three drafts of which two are MR, and the devices sent along.
func benchBody() string {
	return hookBody("order-sign", "whole", "", `{"devices":{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Device","id":"g"}}]}}`,
		serviceRequest("a", "whole", "MR brain"), serviceRequest("b", "whole", "MR knee left"), serviceRequest("c", "whole", "CT head"))
}

// bare is the floor: an http handler that decodes the same body with the same decoders and encodes the same answer.
func bare(b *testing.B, answer []byte) http.Handler {
	var cards any
	if err := json.Unmarshal(answer, &cards); err != nil {
		b.Fatal(err)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var q struct {
			Hook, HookInstance string
			Context            struct {
				UserID, PatientID string
				DraftOrders       struct {
					Entry []struct{ Resource json.RawMessage }
				}
			}
			Prefetch map[string]json.RawMessage
		}
		if err := json.NewDecoder(r.Body).Decode(&q); err != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		for _, e := range q.Context.DraftOrders.Entry {
			msg, err := fhirjson.Split(e.Resource, fhirjson.DefaultLimits())
			if err == nil {
				_, _, err = fhirjson.Decode(msg.Entries[0])
			}
			if err != nil {
				w.WriteHeader(http.StatusBadRequest)
				return
			}
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(cards)
	})
}

// BenchmarkHook prints, in one run, the service and the bare handler over real connections: their ratio is
// bare ns/op by hook ns/op; the aim is at least 0.5, and a p99 under 25 ms.
func BenchmarkHook(b *testing.B) {
	s := newServer(b)
	s.svc.Now = time.Now
	path, body := "/cds-services/"+cds.SignService, benchBody()
	rates := map[string]float64{}
	for _, c := range []struct {
		name string
		h    http.Handler
	}{{"bare", bare(b, s.do("POST", path, body).Body.Bytes())}, {"service", s}} {
		b.Run(c.name, func(b *testing.B) {
			web := httptest.NewServer(c.h)
			defer web.Close()
			client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64}}
			var mu sync.Mutex
			var took []time.Duration
			b.ReportAllocs()
			b.ResetTimer()
			b.RunParallel(func(pb *testing.PB) {
				var mine []time.Duration
				for pb.Next() {
					start := time.Now()
					res, err := client.Post(web.URL+path, "application/json", strings.NewReader(body))
					if err != nil || res.StatusCode != 200 {
						b.Error("no answer", err)
						return
					}
					var v json.RawMessage
					_ = json.NewDecoder(res.Body).Decode(&v)
					_ = res.Body.Close()
					mine = append(mine, time.Since(start))
				}
				mu.Lock()
				took = append(took, mine...)
				mu.Unlock()
			})
			slices.Sort(took)
			rates[c.name] = float64(b.N) / b.Elapsed().Seconds()
			b.ReportMetric(rates[c.name], "calls/s")
			if n := len(took); n > 0 {
				b.ReportMetric(float64(took[n*99/100])/1e6, "p99-ms")
			}
			if r := rates["bare"]; c.name == "service" && r > 0 {
				b.ReportMetric(rates["service"]/r, "of-bare")
			}
		})
	}
}
