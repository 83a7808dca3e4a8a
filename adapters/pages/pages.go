package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/alexedwards/scs/v2"
	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// Month is one month in the list.
type Month struct {
	Period string // YYYY-MM
	State  string // open, closed
	Closed bool
	Rows   int64
	// Rejects counts what was held back, Amendments what was said anew about earlier months.
	Rejects, Amendments int64
	Files               []string
}

// Months are the pseudonymised registry months.
type Months interface {
	// List gives the months, newest first.
	List(ctx context.Context) ([]Month, error)
	// Serve sends a file of a month; it answers 404 itself.
	Serve(w http.ResponseWriter, r *http.Request, period, file string)
	// Report gives the files of a report, one of Reports; ready is false while it is being made.
	Report(ctx context.Context, report string) (r Report, ready bool, err error)
	// ServeReport sends a file of a report; it answers 404 itself.
	ServeReport(w http.ResponseWriter, r *http.Request, report, file string)
	// Closable gives the months that can be closed here, oldest first; none where they are closed elsewhere.
	Closable(ctx context.Context) ([]string, error)
	// Preview counts a month as it would be closed now. ErrNothingYet when nothing on record had happened by its end.
	Preview(ctx context.Context, period string) (Month, error)
	// Close closes a month for good. ErrNotClosable when it is not one of Closable.
	Close(ctx context.Context, period string) error
	// Verify checks a closed month: signature, checksums, schema, order and counts. pipeline.ErrNotFound when it is
	// not closed.
	Verify(ctx context.Context, period string) (Verified, error)
}

// Report is what the rows of all months are worth, or tell.
type Report struct {
	Cut   string // what was known before; RFC 3339
	Files []string
}

// Verified is what a check of a closed month found.
type Verified struct {
	Hash   string   // of its manifest
	Faults []string // empty: everything holds
	Notes  []string // what was not checked, and why
}

// ErrNotClosable: a month that is not over, or is closed, or lies before a closed one.
var ErrNotClosable = errors.New("that month cannot be closed")

// ErrNothingYet: a month before anything on record.
var ErrNothingYet = errors.New("nothing on record had happened by the end of that month")

// Carried is one device a search found.
type Carried struct {
	Patient string // record key
	Part    string // part ID
}

// Tracer finds who carries a device.
type Tracer interface {
	// Trace gives the parts that fit a model, device identifier, lot or serial number, at most limit; more says
	// that there are others.
	Trace(ctx context.Context, query string, limit int) (found []Carried, more bool, err error)
}

// Config is what the pages are plugged into.
type Config struct {
	Service  *pipeline.Service
	Sessions pipeline.Sessions
	Accounts *access.Accounts
	Audit    *access.Audit
	Seal     *access.Seal
	Outside  *access.OIDC // log-in elsewhere; nil none
	Months   Months       // nil: no registry pages
	Tracer   Tracer       // nil: a search through the records
	Notices  NoticeTracer // nil: no list of a recall notice
	Log      *zap.Logger
	Now      func() time.Time
	Idle     time.Duration // without a request; default 20 minutes
	// From gives the network address of a request; nil: that of its connection.
	From func(*http.Request) string
	// Observe is told every request by its pattern; nil: nobody.
	Observe func(route string, status int, took time.Duration)
}

// Times and sizes.
const (
	defaultIdle  = 20 * time.Minute
	sessionLasts = 12 * time.Hour // then a person logs in again, whatever they do
	maxForm      = 64 << 10       // bytes
)

// pages is the site.
type pages struct {
	Config
	sessions  *scs.SessionManager
	byName    *access.Limiter
	byAddress *access.Limiter
	views     *views
}

// New makes the handler. It serves every path that Routes lists and answers 404 to all others.
func New(c Config) (http.Handler, error) {
	p := &pages{Config: c}
	if c.Idle <= 0 {
		p.Idle = defaultIdle
	}
	if c.From == nil {
		p.From = func(r *http.Request) string { return access.Address(r, nil) }
	}
	if c.Tracer == nil {
		p.Tracer = walk{c.Service.Store}
	}
	var err error
	if p.views, err = parseViews(); err != nil {
		return nil, err
	}
	p.sessions = scs.New()
	p.sessions.Store = sessionStore{c.Sessions, time.Now} // the library's clock: it says by it when they end
	p.sessions.HashTokenInStore, p.sessions.Codec = true, sessionJSON{}
	p.sessions.Lifetime, p.sessions.IdleTimeout = sessionLasts, p.Idle
	p.sessions.Cookie.Name, p.sessions.Cookie.Secure, p.sessions.Cookie.HttpOnly = "__Host-gaussline", true, true
	p.sessions.Cookie.SameSite, p.sessions.Cookie.Persist = http.SameSiteLaxMode, false
	p.sessions.ErrorFunc = func(w http.ResponseWriter, _ *http.Request, err error) {
		c.Log.Error("session not kept", zap.Error(err))
		http.Error(w, "The session could not be kept.", http.StatusInternalServerError)
	}
	p.byName = &access.Limiter{Most: 8, Window: 15 * time.Minute, Now: c.Now}
	p.byAddress = &access.Limiter{Most: 60, Window: 15 * time.Minute, Now: c.Now}
	mux := http.NewServeMux()
	for _, rt := range p.routes() {
		mux.Handle(rt.Pattern, p.handle(rt))
	}
	mux.Handle("GET /static/", staticFiles())
	mux.Handle("/", p.handle(route{Pattern: "other", do: func(*call) error { return errNoPage }}))
	var cross http.CrossOriginProtection
	return headers(cross.Handler(http.MaxBytesHandler(remember(p.sessions.LoadAndSave(mux)), maxForm))), nil
}

// route is one address with what it needs.
type route struct {
	Pattern string
	Right   access.Right // "" open to all; anyone: to all who are logged in
	do      func(*call) error
}

// anyone needs a log-in and no right.
const anyone access.Right = "logged in"

// routes is the whole list: the test of who may go where walks it.
func (p *pages) routes() []route {
	return []route{
		{"GET /{$}", anyone, p.home},
		{"GET /login", "", p.loginForm},
		{"POST /login", "", p.login},
		{"POST /logout", "", p.logout},
		{"GET /login/outside", "", p.outside},
		{"GET /login/return", "", p.outsideReturn},
		{"GET /welcome/{token}", "", p.welcomeForm},
		{"POST /welcome/{token}", "", p.welcome},
		{"GET /worklist", access.SeeOrders, p.worklist},
		{"GET /orders/{id}", access.SeeOrders, p.order},
		{"GET /orders/{id}/sheet", access.SeeOrders, p.sheet},
		{"POST /orders/{id}/read", access.SeeOrders, p.acknowledge},
		{"GET /records", access.SeeRecords, p.records},
		{"POST /records", access.SeeRecords, p.findRecord},
		{"GET /records/{id}", anyone, p.record}, // clinic, or who has broken the glass: decided inside
		{"GET /records/{id}/card", anyone, p.card},
		{"GET /records/{id}/open", access.BreakTheGlass, p.glassForm},
		{"POST /records/{id}/open", access.BreakTheGlass, p.breakGlass},
		{"GET /review", access.Review, p.reviewQueue},
		{"GET /review/{id}/{question}", access.Review, p.reviewOne},
		{"POST /review/{id}/{question}", access.Review, p.answer},
		{"GET /months", access.SeeMonths, p.months},
		{"GET /reports", access.SeeMonths, p.reports},
		{"GET /reports/{report}/{file}", access.SeeMonths, p.reportFile},
		{"GET /months/{period}/{file}", access.SeeMonths, p.monthFile},
		{"GET /months/{period}/check", access.SeeMonths, p.checkMonth},
		{"GET /months/{period}/close", access.CloseMonths, p.closeForm},
		{"POST /months/{period}/close", access.CloseMonths, p.closeMonth},
		{"GET /trace", access.SeeTrace, p.traceForm},
		{"POST /trace", access.SeeTrace, p.trace},
		{"POST /trace/notice", access.SeeLabelling, p.traceNotice}, // who traces for the whole house
		{"GET /labelling", access.SeeLabelling, p.labelling},
		{"GET /operations", access.SeeRejects, p.operations},
		{"POST /operations/rejects/{id}", access.SeeRejects, p.settleReject},
		{"GET /people", access.ManagePeople, p.people},
		{"POST /people", access.ManagePeople, p.changePerson},
		{"GET /audit", access.SeeAudit, p.audit},
		{"GET /audit/lines", access.SeeAudit, p.auditLines},
		{"GET /audit/fhir", access.SeeAudit, p.auditFHIR},
	}
}

// call is one request on its way.
type call struct {
	*pages
	w      http.ResponseWriter
	r      *http.Request
	person access.Person // of who is logged in; Name "" nobody
	layout
}

func (c *call) ctx() context.Context { return c.r.Context() }

// note writes the audit; what cannot be noted is not shown.
func (c *call) note(e access.Event) error {
	e.Who, e.From = c.person.Name, c.address()
	for i, r := range c.person.Roles {
		if i > 0 {
			e.Role += " "
		}
		e.Role += string(r)
	}
	if err := c.Audit.Note(c.ctx(), e); err != nil {
		return fmt.Errorf("audit: %w", err)
	}
	return nil
}

func (c *call) address() string { return c.From(c.r) }

// Errors a page can end in; each is shown in plain words.
var (
	errNoPage  = errors.New("no such page")
	errNotYou  = errors.New("not for this role")
	errTooMany = errors.New("too many tries")
	errBadForm = errors.New("form not complete")
)
