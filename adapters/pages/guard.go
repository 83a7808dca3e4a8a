package pages

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// policy lets a page load its own style and pictures and nothing else; no script runs.
const policy = "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// headers are the same on every answer.
func headers(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		hd := w.Header()
		hd.Set("Content-Security-Policy", policy)
		hd.Set("X-Content-Type-Options", "nosniff")
		hd.Set("Referrer-Policy", "no-referrer")
		hd.Set("Cross-Origin-Opener-Policy", "same-origin")
		hd.Set("Cross-Origin-Resource-Policy", "same-origin")
		hd.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		hd.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			hd.Set("Strict-Transport-Security", "max-age=31536000")
		}
		h.ServeHTTP(w, r)
	})
}

type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(code int) {
	w.status = code
	w.ResponseWriter.WriteHeader(code)
}

// Unwrap lets http.ResponseController reach the writer below.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// handle lets in who may come in, runs the page and shows its errors in plain words.
func (p *pages) handle(rt route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := p.Now()
		sw := &statusWriter{ResponseWriter: w, status: http.StatusOK}
		c := &call{pages: p, w: sw, r: r}
		defer func() {
			if x := recover(); x == http.ErrAbortHandler {
				panic(x)
			} else if x != nil {
				p.Log.Error("page failed", zap.String("route", rt.Pattern), zap.String("kind", fmt.Sprintf("%T", x)))
				c.showError(http.StatusInternalServerError, "The page failed", "Nothing was changed. The operator has a log entry.")
			}
			if p.Observe != nil {
				p.Observe(rt.Pattern, sw.status, p.Now().Sub(start))
			}
		}()
		err := c.identify()
		if err == nil {
			err = c.admit(rt.Right)
		}
		if err == nil && r.Method == http.MethodPost {
			err = formError(r.ParseForm())
		}
		if err == nil {
			err = rt.do(c)
		}
		if err != nil {
			c.explain(rt, err)
		}
	})
}

// identify finds who is logged in. Roles are read anew each time, so that a change takes effect at once.
func (c *call) identify() error {
	name := c.sessions.GetString(c.ctx(), keyName)
	if name == "" {
		return nil
	}
	if p, ok := c.sessionPerson(); ok { // logged in elsewhere: as long as the session lasts
		c.person = p
		return nil
	}
	p, ok, err := c.Accounts.Current(c.ctx(), name)
	if err != nil {
		return err
	}
	if !ok {
		return c.sessions.Destroy(c.ctx())
	}
	c.person = p
	return nil
}

func (c *call) admit(right access.Right) error {
	switch {
	case right == "":
		return nil
	case c.person.Name == "":
		return errLogin
	case right == anyone || c.person.May(right):
		return nil
	}
	if err := c.note(access.Event{Action: access.Executed, What: string(right), Refused: true}); err != nil {
		return err
	}
	return errNotYou
}

var errLogin = errors.New("not logged in")

// explain shows an error. What went wrong inside goes to the log, never to the page.
func (c *call) explain(rt route, err error) {
	var tooBig *http.MaxBytesError
	switch {
	case errors.Is(err, errLogin) && c.r.Method == http.MethodGet:
		http.Redirect(c.w, c.r, "/login", http.StatusSeeOther)
	case errors.Is(err, errLogin):
		c.showError(http.StatusUnauthorized, "Not logged in", "Your session has ended. Log in and do it again; nothing was changed.")
	case errors.Is(err, errNotYou):
		c.showError(http.StatusForbidden, "Not for your role", "Your account has no right to this page. The administrator gives roles.")
	case errors.Is(err, errTooMany):
		c.w.Header().Set("Retry-After", "900")
		c.showError(http.StatusTooManyRequests, "Too many tries", "Wait a quarter of an hour and try again.")
	case errors.As(err, &tooBig):
		c.showError(http.StatusRequestEntityTooLarge, "Too much text", "The form is larger than this page takes.")
	case errors.Is(err, errBadForm), errors.Is(err, pipeline.ErrReview), errors.Is(err, access.ErrAccount):
		c.showError(http.StatusBadRequest, "Not complete", "Nothing was changed. "+sentence(err))
	case errors.Is(err, errNoPage), errors.Is(err, pipeline.ErrNotFound), errors.Is(err, access.ErrSealed):
		c.showError(http.StatusNotFound, "Not there", "There is nothing at this address, or it is not there any more.")
	default:
		c.Log.Error("page not shown", zap.String("route", rt.Pattern), zap.Error(err))
		c.showError(http.StatusInternalServerError, "The page failed", "Nothing is shown rather than half of it. The operator has a log entry.")
	}
}

// sentence makes one of an error whose text is ours and holds no patient data.
func sentence(err error) string {
	s := err.Error()
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// formError says that a form could not be read; one that is too large keeps its own error.
func formError(err error) error {
	var tooBig *http.MaxBytesError
	if err == nil || errors.As(err, &tooBig) {
		return err
	}
	return errBadForm
}
