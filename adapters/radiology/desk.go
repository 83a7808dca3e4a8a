package radiology

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/fhirjson"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// Forms of a note that a department can fetch. Each is complete: the headline stands first, and nothing is cut so that
// the warning is lost.
const (
	AsText  = "text"  // plain text
	AsSheet = "sheet" // HTML to print and sign
	AsDICOM = "dicom" // attributes for a modality worklist item, DICOM JSON
	AsV2    = "v2"    // OBX and NTE segments for an order in HL7 v2
)

// Forms lists them.
func Forms() []string { return []string{AsText, AsSheet, AsDICOM, AsV2} }

// Write gives a note in a form, with its media type.
func Write(form string, o banner.Order, n banner.Note, withdrawn bool) (body []byte, mediaType string, err error) {
	switch form {
	case AsText:
		return []byte(banner.Text(n, withdrawn)), "text/plain; charset=utf-8", nil
	case AsSheet:
		body, err = banner.Sheet(o, n, withdrawn)
		return body, "text/html; charset=utf-8", err
	case AsDICOM:
		body, err = banner.DICOM(n, withdrawn)
		return body, "application/dicom+json", err
	case AsV2:
		return []byte(banner.V2(n, withdrawn, 1)), "text/plain; charset=utf-8", nil
	}
	return nil, "", errors.New("no such form")
}

// Desk is what the systems of a department may ask by HTTP: which orders have a note, the note in a form of theirs,
// and to keep that somebody read it. All fields are needed.
type Desk struct {
	Service *pipeline.Service
	// Caller says who asks; it has been let in before.
	Caller func(*http.Request) access.Caller
	// Audit notes what is seen before it is shown; what cannot be noted is not shown.
	Audit func(r *http.Request, e access.Event) error
	// OpaqueID names an order in the audit.
	OpaqueID func(order string) string
	Now      func() time.Time
	Log      *zap.Logger
}

// maxRead bounds the body of an acknowledgement, in bytes, and the name of who read.
const (
	maxRead   = 4 << 10
	maxReader = 100
)

// Handler serves /radiology/.
func (d *Desk) Handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, h := range map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /radiology/orders": d.orders, "GET /radiology/note": d.note, "POST /radiology/read": d.read} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) { d.answer(w, h(w, r)) })
	}
	return mux
}

// problem is an answer that is not what was asked for. Its text holds nothing of a patient.
type problem struct {
	status     int
	code, text string
}

func (p problem) Error() string { return p.text }

func (d *Desk) answer(w http.ResponseWriter, err error) {
	var p problem
	switch {
	case err == nil:
		return
	case errors.As(err, &p):
	case errors.Is(err, pipeline.ErrNotFound):
		p = problem{http.StatusNotFound, "not-found", "no order of your sites has a note under that key"}
	case errors.Is(err, pipeline.ErrSuperseded):
		p = problem{http.StatusConflict, "conflict", "another revision stands now: fetch the note and read what changed; nothing was noted"}
	default:
		d.Log.Error("radiology request failed", zap.Error(err))
		p = problem{http.StatusServiceUnavailable, "transient", "the service failed on this request; the operator has a log entry"}
	}
	w.Header().Set("Content-Type", "application/fhir+json; charset=utf-8")
	w.WriteHeader(p.status)
	_, _ = w.Write(fhirjson.Outcome([]implant.Finding{{Severity: "error", Code: p.code, Text: p.text}}))
}

// listedOrder is one order of the list.
type listedOrder struct {
	Order    string     `json:"order"` // key
	Site     string     `json:"site"`
	Verdict  string     `json:"verdict"` // code of its kind
	Headline string     `json:"headline"`
	Revision int        `json:"revision"`
	Decided  time.Time  `json:"decided"`
	Urgent   bool       `json:"urgent"`
	ReadBy   string     `json:"readBy,omitempty"` // of this revision; not there: nobody
	ReadAt   *time.Time `json:"readAt,omitempty"`
	Reminder int        `json:"reminder,omitempty"` // of an urgent one that nobody has read
	Graver   string     `json:"graver,omitempty"`   // of one that says more than an earlier note did: what that said
}

// orders lists the open orders of the caller's sites, with who has read the note as it stands.
func (d *Desk) orders(w http.ResponseWriter, r *http.Request) error {
	who := d.Caller(r)
	if err := d.Audit(r, access.Event{Who: who.Name, Role: string(who.Role), Action: access.Seen, What: "worklist"}); err != nil {
		return err
	}
	list := []listedOrder{}
	unread, err := d.Service.Unread(r.Context())
	if err != nil {
		return err
	}
	err = d.Service.Store.View(r.Context(), func(rd pipeline.Reader) error {
		acks, err := pipeline.Acknowledgements(r.Context(), rd)
		if err != nil {
			return err
		}
		all, err := rd.Verdicts(r.Context(), "", pipeline.VerdictInForce)
		for _, v := range all {
			if !slices.Contains(who.Sites, v.Site) {
				continue
			}
			x := listedOrder{Order: v.Referral, Site: v.Site, Verdict: v.Kind, Headline: banner.Headline(mri.Kind(v.Kind)), Revision: v.Revision, Decided: v.Decided}
			if a, ok := acks[v.Referral]; ok && a.Of(v) {
				x.ReadBy, x.ReadAt = a.By, &a.At
			}
			if i := slices.IndexFunc(unread, func(u pipeline.Unread) bool { return u.Referral == v.Referral }); i >= 0 {
				x.Urgent, x.Reminder = true, unread[i].Reminder
				if unread[i].Graver {
					x.Graver = banner.GraverThan(unread[i].Was)
				}
			}
			list = append(list, x)
		}
		return err
	})
	if err != nil {
		return err
	}
	return writeJSON(w, map[string]any{"asOf": d.Now().UTC(), "orders": list})
}

func writeJSON(w http.ResponseWriter, v any) error {
	w.Header().Set("Content-Type", "application/json")
	return json.NewEncoder(w).Encode(v)
}

// open finds the note of an order of the caller's sites. An order of another site is not there, for the caller.
func (d *Desk) open(r *http.Request, order string, action access.Action, what string) (o banner.Order, n banner.Note, v pipeline.StoredVerdict, err error) {
	if order == "" {
		return o, n, v, problem{http.StatusBadRequest, "required", "order is needed: the key of the order, such as SENDER|ServiceRequest/ID"}
	}
	if o, n, v, err = d.Service.Note(r.Context(), order); err != nil {
		return o, n, v, err
	}
	who := d.Caller(r)
	mine := slices.Contains(who.Sites, v.Site)
	err = d.Audit(r, access.Event{Who: who.Name, Role: string(who.Role), Action: action, What: what, Object: d.OpaqueID(order), Refused: !mine})
	if err == nil && !mine {
		err = pipeline.ErrNotFound
	}
	return o, n, v, err
}

// note gives the note of an order in a form: what was last sent of it, or that it is withdrawn.
func (d *Desk) note(w http.ResponseWriter, r *http.Request) error {
	form := r.URL.Query().Get("as")
	if !slices.Contains(Forms(), form) {
		return problem{http.StatusBadRequest, "value", "as is needed: " + strings.Join(Forms(), ", ")}
	}
	o, n, v, err := d.open(r, r.URL.Query().Get("order"), access.Seen, "order")
	if err != nil {
		return err
	}
	body, mediaType, err := Write(form, o, n, v.State == pipeline.VerdictWithdrawn)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", mediaType)
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
	_, err = w.Write(body)
	return err
}

// read keeps that somebody has read a revision of a note. It confirms no point and permits no scan.
func (d *Desk) read(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Order    string `json:"order"`
		Revision int    `json:"revision"`
		By       string `json:"by"`
	}
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxRead))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&in); err != nil || dec.Decode(&struct{}{}) != io.EOF {
		return problem{http.StatusBadRequest, "invalid", `want {"order": KEY, "revision": NUMBER, "by": NAME}`}
	}
	in.By = strings.TrimSpace(in.By)
	if in.By == "" || len(in.By) > maxReader || in.Revision < 1 {
		return problem{http.StatusBadRequest, "required", "by is needed, the name of the person who read, at most 100 bytes; and revision, the number on the note"}
	}
	if _, _, _, err := d.open(r, in.Order, access.Created, "acknowledgement"); err != nil {
		return err
	}
	at := d.Now().UTC().Truncate(time.Microsecond)
	err := d.Service.Acknowledge(r.Context(), in.Order, func(v pipeline.StoredVerdict) bool { return v.Revision == in.Revision },
		pipeline.Acknowledgement{By: in.By, At: at, System: d.Caller(r).Name})
	if err != nil {
		return err
	}
	return writeJSON(w, map[string]any{"order": in.Order, "revision": in.Revision, "readBy": in.By, "readAt": at})
}
