package pages

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"gaussline/adapters/access"
)

// Keys of the session.
const (
	keyName   = "name"
	keyPerson = "person" // JSON, of who logged in elsewhere
	keyGlass  = "glass-" // + record id: until when, RFC 3339
)

func (p *pages) loginForm(c *call) error {
	if c.person.Name != "" {
		return redirect(c, "/")
	}
	return c.show("login", http.StatusOK, "Log in", map[string]any{"Outside": p.Outside != nil})
}

func (p *pages) login(c *call) error {
	name, password := strings.ToLower(strings.TrimSpace(c.r.PostFormValue("name"))), c.r.PostFormValue("password")
	if !p.byAddress.Allow(c.address()) || !p.byName.Allow(name) {
		return errTooMany
	}
	person, err := p.Accounts.Login(c.ctx(), name, password)
	if errors.Is(err, access.ErrLogin) {
		if err := c.note(access.Event{Action: access.Executed, What: "login", Refused: true}); err != nil {
			return err
		}
		return c.show("login", http.StatusUnauthorized, "Log in", map[string]any{"Failed": true, "Outside": p.Outside != nil})
	}
	if err != nil {
		return err
	}
	p.byName.Forget(name)
	p.byAddress.Undo(c.address()) // a whole house may come from one address
	return p.enter(c, person, false)
}

// enter starts a session, under a new token.
func (p *pages) enter(c *call, person access.Person, elsewhere bool) error {
	if err := p.sessions.RenewToken(c.ctx()); err != nil {
		return err
	}
	c.person = person
	if err := c.note(access.Event{Action: access.Executed, What: "login", Object: person.Name}); err != nil {
		return err
	}
	p.sessions.Put(c.ctx(), keyName, person.Name)
	if elsewhere {
		b, err := json.Marshal(person)
		if err != nil {
			return err
		}
		p.sessions.Put(c.ctx(), keyPerson, string(b))
	}
	return redirect(c, "/")
}

func (c *call) sessionPerson() (p access.Person, ok bool) {
	s := c.sessions.GetString(c.ctx(), keyPerson)
	return p, s != "" && json.Unmarshal([]byte(s), &p) == nil
}

func (p *pages) logout(c *call) error {
	if err := p.sessions.Destroy(c.ctx()); err != nil {
		return err
	}
	return redirect(c, "/login")
}

func (p *pages) welcomeForm(c *call) error {
	name, err := p.Accounts.Invited(c.ctx(), c.r.PathValue("token"))
	if errors.Is(err, access.ErrInvite) {
		return p.inviteGone(c)
	}
	if err != nil {
		return err
	}
	return c.show("welcome", http.StatusOK, "Set your password", map[string]any{"Name": name, "Min": access.MinPassword})
}

func (p *pages) inviteGone(c *call) error {
	c.showError(http.StatusGone, "This link is not valid any more", "It works once and for a day. Ask the administrator for a new one.")
	return nil
}

func (p *pages) welcome(c *call) error {
	token, password := c.r.PathValue("token"), c.r.PostFormValue("password")
	if !p.byAddress.Allow(c.address()) {
		return errTooMany
	}
	name, err := p.Accounts.Invited(c.ctx(), token)
	if err == nil && password != c.r.PostFormValue("again") {
		return c.show("welcome", http.StatusBadRequest, "Set your password",
			map[string]any{"Name": name, "Min": access.MinPassword, "Failed": "The two passwords differ."})
	}
	var person access.Person
	if err == nil {
		person, err = p.Accounts.Accept(c.ctx(), token, password)
	}
	switch {
	case errors.Is(err, access.ErrInvite):
		return p.inviteGone(c)
	case errors.Is(err, access.ErrPassword):
		return c.show("welcome", http.StatusBadRequest, "Set your password",
			map[string]any{"Name": name, "Min": access.MinPassword, "Failed": sentence(err)})
	case err != nil:
		return err
	}
	return p.enter(c, person, false)
}

// home leads to the first page of the person's roles.
func (p *pages) home(c *call) error {
	if len(c.nav()) == 0 {
		return errNotYou
	}
	return redirect(c, c.nav()[0].Path)
}

func redirect(c *call, to string) error {
	http.Redirect(c.w, c.r, to, http.StatusSeeOther)
	return nil
}
