package pages

import (
	"context"
	"fmt"
	"html/template"
	"sort"
	"strings"

	"ductledger/domain"

	"rsc.io/qr"
)

// token is a credential as the API answers.
type token struct {
	TokenID      domain.UUID `json:"token_id"`
	Role         domain.Role `json:"role"`
	PersonID     domain.UUID `json:"person_id"`
	Name         string      `json:"name"`
	ContractorID domain.UUID `json:"contractor_id"`
	DeviceID     domain.UUID `json:"device_id"`
	CreatedAt    string      `json:"created_at"`
	SeenAt       string      `json:"seen_at"`
	LapsesAt     string      `json:"lapses_at"`
	RevokedAt    string      `json:"revoked_at"`
}

type phone struct {
	record[domain.Device]
	Firm   string
	Token  *token // its newest that is good
	Lapsed bool
}

type phonesShown struct {
	Phones   []phone
	Machines []token // credentials that belong to no phone
	Choices  []named
	ID       domain.UUID // of a phone to be added
	Name     string
	Firm     domain.UUID
}

func (p *Pages) phones(ctx context.Context, v *Visit) (Page, error) {
	return p.phonesPage(ctx, v, phonesShown{ID: newID()})
}

func (p *Pages) phonesPage(ctx context.Context, v *Visit, s phonesShown) (Page, error) {
	devices, _, err := All[record[domain.Device]](ctx, v, "/v1/devices", most)
	if err != nil {
		return Page{}, err
	}
	firms, choices, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	s.Choices = choices
	var tokens struct {
		Items []token `json:"items"`
	}
	if err := v.Get(ctx, "/v1/tokens", &tokens); err != nil {
		return Page{}, err
	}
	of := map[domain.UUID]*token{}
	for i := range tokens.Items {
		t := &tokens.Items[i]
		switch {
		case t.RevokedAt != "":
		case t.DeviceID.IsZero():
			s.Machines = append(s.Machines, *t)
		default:
			of[t.DeviceID] = t
		}
	}
	good, lost, table := 0, 0, &Table{Name: "phones", Columns: []string{"device_id", "name", "contractor_id", "state", "person", "seen_at", "lapses_at"}}
	for _, d := range devices {
		one := phone{record: d, Firm: "the agency", Token: of[d.ID]}
		firm := ""
		if id := d.Record.ContractorID; id != nil {
			one.Firm, firm = firms[*id], id.String()
		}
		row := []string{d.ID.String(), d.Record.Name, firm, string(d.Record.State), "", "", ""}
		if one.Token != nil {
			at, _, known := timeOf(one.Token.LapsesAt)
			one.Lapsed = known && !v.Now.Before(at)
			row[4], row[5], row[6] = one.Token.Name, one.Token.SeenAt, one.Token.LapsesAt
		}
		if d.Record.State == domain.DeviceIsRevoked {
			lost++
		} else if one.Token != nil && !one.Lapsed {
			good++
		}
		s.Phones, table.Rows = append(s.Phones, one), append(table.Rows, row)
	}
	sort.SliceStable(s.Phones, func(i, k int) bool {
		a, b := &s.Phones[i], &s.Phones[k]
		return a.Firm < b.Firm || a.Firm == b.Firm && a.Record.Name < b.Record.Name
	})
	lead := fmt.Sprintf("%s can send in work", Count(good, "phone"))
	if lost > 0 {
		lead += fmt.Sprintf("; %s reported lost", Count(lost, "was", "were"))
		lead = strings.ReplaceAll(strings.ReplaceAll(lead, "1 was", "one was"), " were reported", " were reported")
	}
	return Page{Title: "Phones", Under: "Settings", Lead: sentence(lead), AsOf: v.Now, Rows: len(s.Phones), Data: "/v1/devices?limit=500", Table: table, Body: "phones", With: s}, nil
}

// phoneAdd records a new phone and leads to its page, where its code is made.
func (p *Pages) phoneAdd(ctx context.Context, v *Visit) (Page, error) {
	s := phonesShown{ID: idOf(v.Form.Get("id")), Name: v.Form.Get("name"), Firm: idOf(v.Form.Get("contractor_id"))}
	device := domain.Device{Name: s.Name, State: domain.DeviceActive}
	if !s.Firm.IsZero() {
		device.ContractorID = &s.Firm
	}
	if err := v.Send(ctx, "PUT", "/v1/devices/"+s.ID.String(), device, nil); err != nil {
		page, pageErr := p.phonesPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/settings/phones/" + s.ID.String()}, nil
}

type phoneShown struct {
	Phone  record[domain.Device]
	Firm   string
	Tokens []token
	Person string // as typed
}

func (p *Pages) phone(ctx context.Context, v *Visit) (Page, error) { return phonePage(ctx, v, "") }

func phonePage(ctx context.Context, v *Visit, typed string) (Page, error) {
	s := phoneShown{Firm: "the agency", Person: typed}
	if err := v.Get(ctx, "/v1/devices/"+v.Path["id"], &s.Phone); err != nil {
		return Page{}, err
	}
	firms, _, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	if id := s.Phone.Record.ContractorID; id != nil {
		s.Firm = firms[*id]
	}
	var tokens struct {
		Items []token `json:"items"`
	}
	if err := v.Get(ctx, "/v1/tokens", &tokens); err != nil {
		return Page{}, err
	}
	for _, t := range tokens.Items {
		if t.DeviceID == s.Phone.ID {
			s.Tokens = append(s.Tokens, t)
			if s.Person == "" && t.RevokedAt == "" {
				s.Person = t.Name
			}
		}
	}
	return Page{Title: s.Phone.Record.Name, Under: "Settings", Quiet: "A phone of " + s.Firm, AsOf: v.Now, Rows: len(s.Tokens),
		Data: "/v1/devices/" + s.Phone.ID.String(), Body: "phone", With: s}, nil
}

type codeShown struct {
	Phone, Person, Code, LapsesAt, Address string
	Picture                                template.HTML
}

// phoneDo makes a code, or says that a phone is lost.
func (p *Pages) phoneDo(ctx context.Context, v *Visit) (Page, error) {
	again := func(err error) (Page, error) {
		page, pageErr := phonePage(ctx, v, v.Form.Get("name"))
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	var at record[domain.Device]
	if err := v.Get(ctx, "/v1/devices/"+v.Path["id"], &at); err != nil {
		return Page{}, err
	}
	switch v.Form.Get("do") {
	case "code":
		var made struct {
			Code     string `json:"code"`
			LapsesAt string `json:"lapses_at"`
			Name     string `json:"name"`
		}
		if err := v.Send(ctx, "POST", "/v1/enrollment-codes", map[string]any{"device_id": at.ID, "name": v.Form.Get("name")}, &made); err != nil {
			return again(err)
		}
		address := v.URL("/v1/enrollments")
		picture, err := qrPicture(address + "#" + made.Code)
		if err != nil {
			return Page{}, err
		}
		return Page{Title: "A code for " + at.Record.Name, Under: "Settings", Rows: -1, Body: "code",
			Lead: "Show this picture to the phone's app, or type the code there. It works once.",
			With: codeShown{at.Record.Name, made.Name, made.Code, made.LapsesAt, address, picture}}, nil
	case "lost":
		device := at.Record
		device.State = domain.DeviceIsRevoked
		if err := v.Send(ctx, "PUT", "/v1/devices/"+at.ID.String(), device, nil, "If-Match", fmt.Sprintf(`"%d"`, at.Version)); err != nil {
			return again(err)
		}
		return Page{Location: "/staff/settings/phones/" + at.ID.String()}, nil
	}
	return again(domain.Errorf(domain.Invalid, "nothing was chosen"))
}

// qrPicture draws a text as a QR code (ISO/IEC 18004), with the four light
// squares around it that readers need.
func qrPicture(text string) (template.HTML, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("draw a code: %w", err)
	}
	const quiet = 4
	var path strings.Builder
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&path, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	side := code.Size + 2*quiet
	return template.HTML(fmt.Sprintf(`<svg viewBox="0 0 %d %d" role="img" aria-label="The code as a picture for the phone's camera" shape-rendering="crispEdges"><path fill="#000" d="%s"/></svg>`, side, side, path.String())), nil //nolint:gosec // numbers of ours alone
}
