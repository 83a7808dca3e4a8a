package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"gaussline/adapters/access"
)

// Notice is what a recall notice names, as a person types it: values apart by commas, ranges as FROM..TO.
type Notice struct {
	DIs, Models, Lots, Serials, Kinds, Expiry, Implanted string
	Format                                               string // csv or fhir
}

// NoticeList is the answer to a notice, as a file.
type NoticeList struct {
	ID, Name, MediaType string
	Body                []byte
}

// ErrNotice: the notice cannot be traced as it was typed; the text says why, for who typed it.
var ErrNotice = errors.New("this notice cannot be traced")

// NoticeTracer lists who has, had or may have what a notice names.
type NoticeTracer interface {
	TraceNotice(ctx context.Context, n Notice) (NoticeList, error)
}

// maxNotice bounds one field of the form, in characters.
const maxNotice = 4000

// traceNotice gives the list of a recall notice, for the whole house: the safety officer's right. The audit has the list's id
// and the reason, never the words: a serial number is one person's.
func (p *pages) traceNotice(c *call) error {
	if p.Notices == nil {
		return errNoPage
	}
	field := func(name string) string {
		s := strings.TrimSpace(c.r.PostFormValue(name))
		return s[:min(len(s), maxNotice)]
	}
	n := Notice{DIs: field("di"), Models: field("model"), Lots: field("lot"), Serials: field("serial"), Kinds: field("kind"),
		Expiry: field("expiry"), Implanted: field("implanted"), Format: field("format")}
	list, err := p.Notices.TraceNotice(c.ctx(), n)
	if errors.Is(err, ErrNotice) {
		return c.show("trace", http.StatusBadRequest, "Trace a device", map[string]any{"Whole": true, "Notice": n, "Kinds": partKinds(), "Fault": err.Error()})
	}
	if err != nil {
		return err
	}
	if err := c.note(access.Event{Action: access.Executed, What: "trace", Object: list.ID, Reason: clip(field("reason"), maxWords)}); err != nil {
		return err
	}
	c.w.Header().Set("Content-Type", list.MediaType)
	c.w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", list.Name))
	_, err = c.w.Write(list.Body)
	return err
}
