package pages

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"gaussline/adapters/access"
)

func (p *pages) months(c *call) error {
	if p.Months == nil {
		return c.show("months", http.StatusOK, "Registry months", map[string]any{"None": true})
	}
	list, err := p.Months.List(c.ctx())
	if err != nil {
		return err
	}
	able, err := p.Months.Closable(c.ctx())
	if err != nil {
		return err
	}
	return c.show("months", http.StatusOK, "Registry months", map[string]any{"Months": list, "Closable": able, "Done": c.r.URL.Query().Get("closed")})
}

func (p *pages) monthFile(c *call) error {
	if p.Months == nil {
		return errNoPage
	}
	period, file := c.r.PathValue("period"), c.r.PathValue("file")
	if err := c.note(access.Event{Action: access.Executed, What: "month", Object: clip(period+"/"+file, 80)}); err != nil {
		return err
	}
	p.Months.Serve(c.w, c.r, period, file)
	return nil
}

// reportNames are the reports, in the order of the page.
var reportNames = [][2]string{{"quality", "Quality of the rows"}, {"figures", "Revision and explant by model"}}

// reported is a report on the page: its charts are shown, its tables downloaded.
type reported struct {
	Name, Title string
	Ready       bool
	Report
	Charts, Tables []string
}

func (p *pages) reports(c *call) error {
	if p.Months == nil {
		return errNoPage
	}
	if err := c.note(access.Event{Action: access.Seen, What: "reports"}); err != nil {
		return err
	}
	var out []reported
	for _, n := range reportNames {
		r, ready, err := p.Months.Report(c.ctx(), n[0])
		if err != nil {
			return err
		}
		x := reported{Name: n[0], Title: n[1], Ready: ready, Report: r}
		for _, f := range r.Files {
			if strings.HasSuffix(f, ".svg") {
				x.Charts = append(x.Charts, f)
			} else {
				x.Tables = append(x.Tables, f)
			}
		}
		out = append(out, x)
	}
	return c.show("reports", http.StatusOK, "Registry reports", out)
}

func (p *pages) reportFile(c *call) error {
	name := c.r.PathValue("report")
	if p.Months == nil || !slices.ContainsFunc(reportNames, func(n [2]string) bool { return n[0] == name }) {
		return errNoPage
	}
	p.Months.ServeReport(c.w, c.r, name, c.r.PathValue("file"))
	return nil
}

// checkMonth verifies a closed month as it lies on disk.
func (p *pages) checkMonth(c *call) error {
	if p.Months == nil {
		return errNoPage
	}
	period := c.r.PathValue("period")
	v, err := p.Months.Verify(c.ctx(), period)
	if err != nil {
		return err
	}
	return c.show("checked", http.StatusOK, "Check of "+period, map[string]any{"Period": period, "Checked": v})
}

// closable gives the month of the address as it would be closed now.
func (p *pages) closable(c *call) (m Month, earlier []string, err error) {
	if p.Months == nil {
		return m, nil, errNoPage
	}
	able, err := p.Months.Closable(c.ctx())
	if err != nil {
		return m, nil, err
	}
	i := slices.Index(able, c.r.PathValue("period"))
	if i < 0 {
		return m, nil, errNoPage
	}
	m, err = p.Months.Preview(c.ctx(), able[i])
	return m, able[:i], err
}

// nothingYet says why a month before anything on record is not closed; any other error stays.
func (c *call) nothingYet(err error) error {
	if !errors.Is(err, ErrNothingYet) {
		return err
	}
	c.showError(http.StatusConflict, "Nothing to close", "Nothing on record had happened by the end of that month. Close the first month in which something did; nothing was changed.")
	return nil
}

func (p *pages) closeForm(c *call) error { return p.askClose(c, http.StatusOK, "") }

func (p *pages) askClose(c *call, status int, failed string) error {
	m, earlier, err := p.closable(c)
	if err != nil {
		return c.nothingYet(err)
	}
	return c.show("close", status, "Close the month "+m.Period, map[string]any{"Month": m, "Earlier": earlier, "Failed": failed, "Name": c.person.Display})
}

// closeMonth closes a month after its name was typed again, under the name of who is responsible for it.
func (p *pages) closeMonth(c *call) error {
	period, name := c.r.PathValue("period"), strings.TrimSpace(c.r.PostFormValue("name"))
	switch {
	case strings.TrimSpace(c.r.PostFormValue("again")) != period:
		return p.askClose(c, http.StatusBadRequest, "Nothing was closed: the month typed is not "+clip(period, 10)+".")
	case len([]rune(name)) < 3 || len(name) > maxReason:
		return p.askClose(c, http.StatusBadRequest, "Nothing was closed: the name of who closes it is missing.")
	}
	if _, _, err := p.closable(c); err != nil {
		return c.nothingYet(err)
	}
	if err := c.note(access.Event{Action: access.Created, What: "month", Object: clip(period, 10), Reason: "closed by " + name}); err != nil {
		return err
	}
	err := p.Months.Close(c.ctx(), period)
	if errors.Is(err, ErrNotClosable) { // somebody was first
		c.showError(http.StatusConflict, "Already closed", "Somebody else closed it, or a later month, meanwhile. Nothing was changed.")
		return nil
	}
	if err != nil {
		return err
	}
	return redirect(c, "/months?closed="+period)
}

func clip(s string, n int) string {
	if len(s) > n {
		return s[:n]
	}
	return s
}
