package pages

import (
	"net/http"

	"go.uber.org/zap"

	"gaussline/adapters/access"
)

const keyOutside = "outside" // what the return must match

// outside sends the browser to the log-in elsewhere.
func (p *pages) outside(c *call) error {
	if p.Outside == nil {
		return errNoPage
	}
	if !p.byAddress.Allow(c.address()) {
		return errTooMany
	}
	to, state, err := p.Outside.Start(c.ctx())
	if err != nil { // a local account still gets in
		p.Log.Warn("log-in provider not reached", zap.Error(err))
		return c.show("login", http.StatusBadGateway, "Log in", map[string]any{"Away": true, "Outside": true})
	}
	p.sessions.Put(c.ctx(), keyOutside, state)
	return redirect(c, to)
}

// outsideReturn takes the answer of the log-in elsewhere.
func (p *pages) outsideReturn(c *call) error {
	if p.Outside == nil {
		return errNoPage
	}
	state := p.sessions.PopString(c.ctx(), keyOutside)
	person, err := p.Outside.Finish(c.ctx(), state, c.r.URL.Query())
	if err != nil {
		p.Log.Warn("log-in elsewhere refused", zap.Error(err))
		if err := c.note(access.Event{Action: access.Executed, What: "login", Refused: true}); err != nil {
			return err
		}
		return errNotYou
	}
	return p.enter(c, person, true)
}
