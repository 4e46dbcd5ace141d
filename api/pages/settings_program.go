package pages

import (
	"context"
	"fmt"
	"html/template"
	"sort"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/google/uuid"
)

// newID is the id of a record that a form makes: sent twice, it is one record.
func newID() domain.UUID { return domain.UUID(uuid.Must(uuid.NewV7())) }

type contractorsShown struct {
	Contractors []record[domain.Contractor]
	ID          domain.UUID
	Record      domain.Contractor // as typed
}

func (p *Pages) firms(ctx context.Context, v *Visit) (Page, error) {
	return p.firmsPage(ctx, v, contractorsShown{ID: newID()})
}

func (p *Pages) firmsPage(ctx context.Context, v *Visit, s contractorsShown) (Page, error) {
	var err error
	if s.Contractors, _, err = All[record[domain.Contractor]](ctx, v, "/v1/contractors", most); err != nil {
		return Page{}, err
	}
	sort.Slice(s.Contractors, func(i, j int) bool {
		return strings.ToLower(s.Contractors[i].Record.Name) < strings.ToLower(s.Contractors[j].Record.Name)
	})
	today, at := v.Now.In(v.Zone).Format(time.DateOnly), 0
	table := &Table{Name: "contractors", Columns: []string{"contractor_id", "name", "started_on", "ended_on"}}
	for _, c := range s.Contractors {
		if c.Record.EndedOn == "" || string(c.Record.EndedOn) >= today {
			at++
		}
		table.Rows = append(table.Rows, []string{c.ID.String(), c.Record.Name, string(c.Record.StartedOn), string(c.Record.EndedOn)})
	}
	return Page{Title: "Contractors of the program", Under: "Settings", Lead: sentence(Count(at, "contractor") + " may work for the program today"), AsOf: v.Now,
		Rows: len(s.Contractors), Data: "/v1/contractors?limit=500", Table: table, Body: "firms", With: s}, nil
}

func (p *Pages) firmSave(ctx context.Context, v *Visit) (Page, error) {
	s := contractorsShown{ID: idOf(v.Form.Get("id")), Record: domain.Contractor{Name: v.Form.Get("name"), StartedOn: domain.Date(v.Form.Get("started_on")), EndedOn: domain.Date(v.Form.Get("ended_on"))}}
	if err := v.save(ctx, "/v1/contractors/"+s.ID.String(), s.Record); err != nil {
		page, pageErr := p.firmsPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/settings/contractors"}, nil
}

// save puts a form's record: a new one, or a change of the version that the
// form was made of.
func (v *Visit) save(ctx context.Context, address string, body any) error {
	if version, err := strconv.ParseInt(v.Form.Get("version"), 10, 64); err == nil && version > 0 {
		return v.Send(ctx, "PUT", address, body, nil, "If-Match", fmt.Sprintf(`"%d"`, version))
	}
	return v.Send(ctx, "PUT", address, body, nil)
}

// A paper is a certificate or license with its holder.
type paper struct {
	ID                         domain.UUID
	Version                    int64
	Holder, Firm, Sort, Number string
	From, Until                domain.Date
	State                      string // lapsed, lapses soon, good
	Strip                      template.HTML
}

// A memberShown is a crew member with the firm.
type memberShown struct {
	record[domain.CrewMember]
	Firm string
}

type papersShown struct {
	Papers  []paper
	Crew    []memberShown
	Members []named
	Choices []named
	Sorts   []domain.CredentialSort
	ID      domain.UUID
	Holder  domain.UUID
	Record  domain.Credential
	Member  domain.UUID
	Axis    []string
}

// Months before and after today that the strips show.
const (
	stripBefore = 3
	stripAfter  = 12
)

// lapsesSoon is when a paper is said to lapse soon, as the list of what waits
// says it without being asked otherwise.
const lapsesSoon = 30 * 24 * time.Hour

func (p *Pages) papers(ctx context.Context, v *Visit) (Page, error) {
	return p.papersPage(ctx, v, papersShown{ID: newID(), Member: newID()})
}

func (p *Pages) papersPage(ctx context.Context, v *Visit, s papersShown) (Page, error) {
	firms, choices, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	members, _, err := All[record[domain.CrewMember]](ctx, v, "/v1/crew-members", most)
	if err != nil {
		return Page{}, err
	}
	all, _, err := All[record[domain.Credential]](ctx, v, "/v1/credentials", most)
	if err != nil {
		return Page{}, err
	}
	s.Choices = choices
	s.Sorts = []domain.CredentialSort{domain.DuctSealingCertificate, domain.CabinetLicense, domain.GasLicense, domain.CombustionTester, domain.Insurance, domain.OtherCredential}
	who := map[domain.UUID]domain.CrewMember{}
	for _, m := range members {
		who[m.ID] = m.Record
		s.Crew = append(s.Crew, memberShown{m, firms[m.Record.ContractorID]})
		if m.Record.LeftOn == "" {
			s.Members = append(s.Members, named{m.ID, m.Record.Name + ", " + firms[m.Record.ContractorID]})
		}
	}
	sort.Slice(s.Crew, func(i, j int) bool {
		a, b := s.Crew[i], s.Crew[j]
		if a.Firm != b.Firm {
			return strings.ToLower(a.Firm) < strings.ToLower(b.Firm)
		}
		return strings.ToLower(a.Record.Name) < strings.ToLower(b.Record.Name)
	})
	sort.Slice(s.Members, func(i, j int) bool { return s.Members[i].Name < s.Members[j].Name })
	now := v.Now.In(v.Zone)
	today, soon := domain.Date(now.Format(time.DateOnly)), domain.Date(now.Add(lapsesSoon).Format(time.DateOnly))
	counts := map[string]int{}
	table := &Table{Name: "papers", Columns: []string{"credential_id", "holder", "contractor", "credential", "number", "valid_from_on", "valid_until_on"}}
	for _, c := range all {
		one := paper{ID: c.ID, Version: c.Version, Sort: Plain(c.Record.Credential), Number: c.Record.Number, From: c.Record.ValidFromOn, Until: c.Record.ValidUntilOn, State: "good"}
		if id := c.Record.CrewMemberID; id != nil {
			one.Holder, one.Firm = who[*id].Name, firms[who[*id].ContractorID]
			if who[*id].LeftOn != "" && who[*id].LeftOn < today {
				continue
			}
		} else if id := c.Record.ContractorID; id != nil {
			one.Holder, one.Firm = firms[*id], "the firm"
		}
		switch {
		case one.Until == "":
		case one.Until < today:
			one.State = "lapsed"
		case one.Until <= soon:
			one.State = "lapses soon"
		}
		counts[one.State]++
		one.Strip = strip(one.From, one.Until, now)
		s.Papers = append(s.Papers, one)
		table.Rows = append(table.Rows, []string{c.ID.String(), one.Holder, one.Firm, string(c.Record.Credential), one.Number, string(one.From), string(one.Until)})
	}
	sort.SliceStable(s.Papers, func(i, j int) bool { // what lapses first, and what never does last
		a, b := s.Papers[i], s.Papers[j]
		if (a.Until == "") != (b.Until == "") {
			return b.Until == ""
		}
		if a.Until != b.Until {
			return a.Until < b.Until
		}
		return a.Holder < b.Holder
	})
	lead := sentence(fmt.Sprintf("%s lapsed; %s within 30 days", Count(counts["lapsed"], "paper has", "papers have"), Count(counts["lapses soon"], "more lapses", "more lapse")))
	if counts["lapsed"]+counts["lapses soon"] == 0 {
		lead = "No paper has lapsed, and none lapses within 30 days."
	}
	return Page{Title: "Crews and papers", Under: "Settings", Lead: lead, AsOf: v.Now, Rows: len(s.Papers), Data: "/v1/credentials?limit=500", Table: table, Body: "papers", With: s}, nil
}

// strip draws how long a paper covers, from some months before today to some
// after. The table beside it says the days.
func strip(from, until domain.Date, now time.Time) template.HTML {
	const w, h = 240.0, 14.0
	start := now.AddDate(0, -stripBefore, 0)
	span := now.AddDate(0, stripAfter, 0).Sub(start).Hours()
	place := func(day domain.Date, else_ float64) float64 {
		t, err := time.Parse(time.DateOnly, string(day))
		if err != nil {
			return else_
		}
		return min(w, max(0, t.Sub(start).Hours()/span*w))
	}
	x0, x1, today := place(from, 0), place(until, w), now.Sub(start).Hours()/span*w
	return template.HTML(fmt.Sprintf(`<svg class="strip" viewBox="0 0 %g %g" aria-hidden="true"><line class="axis" x1="0" y1="7" x2="%g" y2="7"/><rect class="covers" x="%.1f" y="3" width="%.1f" height="8"/><line class="today" x1="%.1f" y1="0" x2="%.1f" y2="%g"/></svg>`, w, h, w, x0, max(0, x1-x0), today, today, h)) //nolint:gosec // numbers of ours alone
}

func (p *Pages) paperSave(ctx context.Context, v *Visit) (Page, error) {
	var err error
	s := papersShown{ID: idOf(v.Form.Get("id")), Member: idOf(v.Form.Get("member_id"))}
	switch v.Form.Get("do") {
	case "change-member":
		err = change(ctx, v, "/v1/crew-members/"+idOf(v.Form.Get("id")).String(), func(m *domain.CrewMember) {
			m.Name, m.LeftOn = v.Form.Get("name"), domain.Date(v.Form.Get("left_on"))
		})
	case "change-paper":
		err = change(ctx, v, "/v1/credentials/"+idOf(v.Form.Get("id")).String(), func(c *domain.Credential) {
			c.Number, c.ValidFromOn, c.ValidUntilOn = v.Form.Get("number"), domain.Date(v.Form.Get("valid_from_on")), domain.Date(v.Form.Get("valid_until_on"))
		})
		s = papersShown{ID: newID(), Member: newID()}
	case "member":
		member := domain.CrewMember{ContractorID: idOf(v.Form.Get("contractor_id")), Name: v.Form.Get("name")}
		err = v.Send(ctx, "PUT", "/v1/crew-members/"+s.Member.String(), member, nil)
	default:
		s.Holder = idOf(v.Form.Get("holder_id"))
		s.Record = domain.Credential{Credential: domain.CredentialSort(v.Form.Get("credential")), Number: v.Form.Get("number"),
			ValidFromOn: domain.Date(v.Form.Get("valid_from_on")), ValidUntilOn: domain.Date(v.Form.Get("valid_until_on"))}
		if s.Record.Credential == domain.Insurance {
			s.Record.ContractorID = &s.Holder
		} else {
			s.Record.CrewMemberID = &s.Holder
		}
		err = v.Send(ctx, "PUT", "/v1/credentials/"+s.ID.String(), s.Record, nil)
	}
	if err != nil {
		page, pageErr := p.papersPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/settings/papers"}, nil
}

type instrument struct {
	record[domain.Instrument]
	Firm, State string
	Strip       template.HTML
}

type instrumentsShown struct {
	Instruments []instrument
	Choices     []named
	Sorts       []domain.InstrumentSort
	ID          domain.UUID
	Version     int64
	Record      domain.Instrument
	Owner       domain.UUID
}

func (p *Pages) instruments(ctx context.Context, v *Visit) (Page, error) {
	return p.instrumentsPage(ctx, v, instrumentsShown{ID: newID()})
}

func (p *Pages) instrumentsPage(ctx context.Context, v *Visit, s instrumentsShown) (Page, error) {
	all, _, err := All[record[domain.Instrument]](ctx, v, "/v1/instruments", most)
	if err != nil {
		return Page{}, err
	}
	firms, choices, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	s.Choices, s.Sorts = choices, []domain.InstrumentSort{domain.DuctFan, domain.BlowerDoor, domain.Gauge, domain.COMeter}
	now := v.Now.In(v.Zone)
	today, soon := domain.Date(now.Format(time.DateOnly)), domain.Date(now.Add(lapsesSoon).Format(time.DateOnly))
	lapsed, table := 0, &Table{Name: "instruments", Columns: []string{"instrument_id", "contractor", "instrument", "serial", "calibrated_on", "calibrated_until_on"}}
	for _, i := range all {
		one := instrument{record: i, Firm: "the agency", State: "good", Strip: strip(i.Record.CalibratedOn, i.Record.CalibratedUntilOn, now)}
		if id := i.Record.ContractorID; id != nil {
			one.Firm = firms[*id]
		}
		switch until := i.Record.CalibratedUntilOn; {
		case i.Record.RetiredOn != "" && i.Record.RetiredOn <= today:
			one.State = "retired"
		case until == "":
			one.State = "not recorded"
		case until < today:
			one.State = "lapsed"
			lapsed++
		case until <= soon:
			one.State = "lapses soon"
		}
		s.Instruments = append(s.Instruments, one)
		table.Rows = append(table.Rows, []string{i.ID.String(), one.Firm, string(i.Record.Instrument), i.Record.Serial, string(i.Record.CalibratedOn), string(i.Record.CalibratedUntilOn)})
	}
	sort.SliceStable(s.Instruments, func(i, j int) bool {
		return s.Instruments[i].Record.CalibratedUntilOn < s.Instruments[j].Record.CalibratedUntilOn
	})
	lead := "No calibration has lapsed."
	if lapsed > 0 {
		lead = sentence(Count(lapsed, "calibration has", "calibrations have") + " lapsed: readings after that day raise a question on their job")
	}
	return Page{Title: "Instruments", Under: "Settings", Lead: lead, AsOf: v.Now, Rows: len(all), Data: "/v1/instruments?limit=500", Table: table, Body: "instruments", With: s}, nil
}

func (p *Pages) instrumentSave(ctx context.Context, v *Visit) (Page, error) {
	s := instrumentsShown{ID: idOf(v.Form.Get("id")), Owner: idOf(v.Form.Get("contractor_id"))}
	address := "/v1/instruments/" + s.ID.String()
	if v.Form.Get("version") != "" { // a new calibration changes nothing else that is recorded of it
		var at record[domain.Instrument]
		if err := v.Get(ctx, address, &at); err != nil {
			return Page{}, err
		}
		s.Record = at.Record
	} else {
		s.Record = domain.Instrument{Instrument: domain.InstrumentSort(v.Form.Get("instrument")), Serial: v.Form.Get("serial")}
		if !s.Owner.IsZero() {
			s.Record.ContractorID = &s.Owner
		}
	}
	s.Record.CalibratedOn, s.Record.CalibratedUntilOn = domain.Date(v.Form.Get("calibrated_on")), domain.Date(v.Form.Get("calibrated_until_on"))
	if v.Form.Has("retired_on") {
		s.Record.RetiredOn = domain.Date(v.Form.Get("retired_on"))
	}
	if err := v.save(ctx, address, s.Record); err != nil {
		page, pageErr := p.instrumentsPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/settings/instruments"}, nil
}
