package pipeline_test

import (
	"context"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"gaussline/adapters/pipeline"
)

// counted keeps what the meter was told of orders that name no site.
type counted struct{ unmatched []string }

func (*counted) Received(int)                    {}
func (*counted) Refused(string)                  {}
func (*counted) Decided(string)                  {}
func (*counted) Delivered(string, time.Duration) {}
func (*counted) DeliveryFailed(string, bool)     {}
func (*counted) Committed(int, time.Duration)    {}
func (*counted) BannerLatency(time.Duration)     {}
func (c *counted) Unmatched(site string)         { c.unmatched = append(c.unmatched, site) }

// An order whose performer is no site of ours is counted under the site that gets it; where none does, the log says
// that its banner is read by nobody.
func TestOrdersThatNameNoSiteAreCounted(t *testing.T) {
	for _, c := range []struct {
		fallback, performer, want string
		logged                    int
	}{{"north", "North Imaging", "", 0}, {"north", "Elsewhere", "north", 0}, {"", "Elsewhere", "unassigned", 1}} {
		w := newWorkbench(t)
		meter := &counted{}
		core, seen := observer.New(zap.ErrorLevel)
		w.Fallback, w.Meter, w.Log = c.fallback, meter, zap.New(core)
		body := []byte(`{"resourceType":"ServiceRequest","id":"o","status":"active","intent":"order","code":{"text":"MRI lumbar spine"},` +
			`"performer":[{"display":"` + c.performer + `"}],"subject":{"reference":"Patient/1"}}`)
		w.tell(t, pipeline.Message{ID: pipeline.MessageID("hillside", body), Sender: "hillside", Body: body, ReceivedAt: storyTime})
		var verdicts []pipeline.StoredVerdict
		err := w.Store.View(context.Background(), func(r pipeline.Reader) (err error) {
			verdicts, err = r.Verdicts(context.Background(), "", "")
			return err
		})
		if err != nil || len(verdicts) != 1 {
			t.Fatalf("%d verdicts (%v)", len(verdicts), err)
		}
		got := ""
		if len(meter.unmatched) == 1 {
			got = meter.unmatched[0]
		}
		if got != c.want || seen.Len() != c.logged {
			t.Errorf("%+v: counted %v, %d lines logged", c, meter.unmatched, seen.Len())
		}
	}
}
