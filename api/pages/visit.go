package pages

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"golang.org/x/text/unicode/norm"
)

// formType is how a browser sends a form.
const formType = "application/x-www-form-urlencoded"

// A Visit is one request of a person.
type Visit struct {
	Caller  domain.Caller // zero while nobody is signed in
	Program storage.Program
	Zone    *time.Location // the program's: all times are told in it
	Now     time.Time
	Method  string
	Address string // path and query as asked
	Path    map[string]string
	Query   url.Values
	Form    url.Values // of a POST

	pages   *Pages
	request *frame.Request
	form    string       // the token of its forms
	newForm *http.Cookie // to be set, of who is not signed in
}

func (p *Pages) visit(ctx context.Context, caller domain.Caller, r *frame.Request) (*Visit, error) {
	v := &Visit{Caller: caller, Zone: time.UTC, Now: p.Now(), Method: r.Method, Address: r.Address, Path: r.Path, Query: r.Query, pages: p, request: r}
	if v.Query == nil {
		v.Query = url.Values{}
	}
	if !caller.Program.IsZero() {
		program, err := p.program(ctx, caller.Program)
		if err != nil {
			return nil, err
		}
		v.Program = program
		if v.Zone, err = time.LoadLocation(program.TimeZone); err != nil {
			return nil, fmt.Errorf("program %s: %w", program.Code, err)
		}
	}
	secret := p.SessionText(r.Header, r.Secure)
	if caller.Person.IsZero() {
		if secret = cookieText(r.Header, formCookie(r.Secure)); secret == "" {
			secret = rand.Text()
			v.newForm = p.cookie(r, formCookie(r.Secure), secret)
		}
	}
	v.form = FormTokenOf(secret)
	if r.Method != http.MethodPost {
		return v, nil
	}
	var err error
	if v.Form, err = url.ParseQuery(string(r.Body)); err != nil {
		return nil, domain.Errorf(domain.BadJSON, "the form cannot be read")
	}
	for name, values := range v.Form {
		for i, text := range values {
			if name != "password" && name != "again" && name != "current" {
				text = strings.Join(strings.Fields(text), " ") // records have no line breaks
			}
			values[i] = norm.NFC.String(text) // a keyboard's spelling is not the person's choice
		}
	}
	if v.newForm != nil || !hmac.Equal([]byte(v.Form.Get("form")), []byte(v.form)) {
		return nil, domain.Errorf(domain.Forbidden, "this form was not made for you, or you signed in again since: go back, open the page anew and send it again")
	}
	return v, nil
}

// program reads a program once.
func (p *Pages) program(ctx context.Context, id domain.UUID) (storage.Program, error) {
	if kept, ok := p.programs.Load(id); ok {
		return kept.(storage.Program), nil
	}
	program, err := p.DB.Program(ctx, id)
	if err == nil {
		p.programs.Store(id, program)
	}
	return program, err
}

// FormTokenOf is what a form carries so that no other site can send it: it is
// made of the session's secret, which no page shows.
func FormTokenOf(secret string) string {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte("a form of these pages"))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil)[:16])
}

// FormToken is the hidden field of every form.
func (v *Visit) FormToken() string { return v.form }

// Is tells whether the person has one of the roles.
func (v *Visit) Is(roles ...domain.Role) bool {
	for _, role := range roles {
		if v.Caller.Role == role {
			return true
		}
	}
	return false
}

// IsAdmin, IsOffice and IsContractor are for templates.
func (v *Visit) IsAdmin() bool      { return v.Is(domain.Admin) }
func (v *Visit) IsOffice() bool     { return v.Is(domain.Staff, domain.Admin) }
func (v *Visit) IsContractor() bool { return v.Is(domain.ContractorRole) }

// JobPath is the page of a job for whoever looks.
func (v *Visit) JobPath(id any) string {
	switch {
	case v.IsContractor():
		return fmt.Sprintf("/staff/own/jobs/%v", id)
	case v.Is(domain.Inspector):
		return fmt.Sprintf("/staff/inspections/%v", id)
	}
	return fmt.Sprintf("/staff/jobs/%v", id)
}

// Changes tells that the address asks for the form that changes a record.
func (v *Visit) Changes(id any) bool { return v.Query.Get("change") == fmt.Sprint(id) }

// Was is what was typed into a form that changes a record and was refused, else
// what stands.
func (v *Visit) Was(id any, field, stands string) string {
	if v.Form.Get("id") == fmt.Sprint(id) && v.Form.Has(field) {
		return v.Form.Get(field)
	}
	return stands
}

// With is the page's own address with a parameter set, or left out where the
// value is empty: filters stand in addresses.
func (v *Visit) With(name, value string) string {
	path, _, _ := strings.Cut(v.Address, "?")
	query := url.Values{}
	for key, values := range v.Query {
		query[key] = values
	}
	query.Del(name)
	if value != "" {
		query.Set(name, value)
	}
	if len(query) == 0 {
		return path
	}
	return path + "?" + query.Encode()
}

// Get asks the API, as the person, and reads the answer: address is that of
// the API with its query.
func (v *Visit) Get(ctx context.Context, address string, into any) error {
	return v.ask(ctx, http.MethodGet, address, nil, nil, into)
}

// Send asks the API, as the person, to do something. body is written as JSON,
// nil for none; header are names and values, such as If-Match. What is refused
// stands in the form again with its reason: it is dismissed, for it waits for
// nobody, unless somebody else was faster.
func (v *Visit) Send(ctx context.Context, method, address string, body, into any, header ...string) error {
	var content []byte
	if body != nil {
		var err error
		if content, err = json.Marshal(body); err != nil {
			return fmt.Errorf("a request to %s: %w", address, err)
		}
	}
	h := http.Header{}
	for i := 0; i+1 < len(header); i += 2 {
		h.Set(header[i], header[i+1])
	}
	err := v.ask(ctx, method, address, h, content, into)
	var refused *domain.Error
	if !errors.As(err, &refused) || refused.Code == domain.VersionConflict || v.Caller.Role != domain.Staff && v.Caller.Role != domain.Admin {
		return err
	}
	if held, is := refused.Also["held_id"].(domain.UUID); is {
		if failed := v.ask(ctx, http.MethodPost, "/v1/held/"+held.String()+"/dismiss", http.Header{}, nil, nil); failed != nil {
			return failed
		}
	}
	return err
}

func (v *Visit) ask(ctx context.Context, method, address string, header http.Header, body []byte, into any) error {
	a, err := v.pages.Ask(ctx, v.Caller, method, address, header, body)
	if err != nil || into == nil {
		return err
	}
	answer, err := frame.BodyBytes(a.Body)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, address, err)
	}
	if err := json.Unmarshal(answer, into); err != nil {
		return fmt.Errorf("%s %s: %w", method, address, err)
	}
	return nil
}

// All reads every page of a list of the API, most items at most, and says
// whether there were more: address has its query, without limit.
func All[T any](ctx context.Context, v *Visit, address string, most int) (list []T, more bool, err error) {
	glue := "?"
	if strings.Contains(address, "?") {
		glue = "&"
	}
	for after := ""; ; {
		var page struct {
			Items []T    `json:"items"`
			Next  string `json:"next"`
		}
		at := fmt.Sprintf("%s%slimit=%d", address, glue, min(frame.MaxPage, max(1, most-len(list))))
		if after != "" {
			at += "&after=" + url.QueryEscape(after)
		}
		if err := v.Get(ctx, at, &page); err != nil {
			return nil, false, err
		}
		list = append(list, page.Items...)
		if after = page.Next; after == "" || len(list) >= most {
			return list, after != "", nil
		}
	}
}

// URL is a path of ours as somebody elsewhere needs it: of a link that is sent,
// or of a picture that a phone reads.
func (v *Visit) URL(path string) string {
	if base := v.pages.PublicURL; base != "" {
		return strings.TrimSuffix(base, "/") + path
	}
	scheme := "http"
	if v.request.Secure {
		scheme = "https"
	}
	return scheme + "://" + v.request.Host + path
}

// readValue reads JSON that stands in an answer.
func readValue(value Value, into any) error { return json.Unmarshal(value, into) }

// Value is JSON as it came, for what a page hands on without looking into it.
type Value = jsontext.Value
