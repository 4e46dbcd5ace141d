package pages

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
)

type heldItem struct {
	HeldID      string    `json:"held_id"`
	State       string    `json:"state"`
	Kind        string    `json:"kind"`
	ID          string    `json:"id"`
	JobID       string    `json:"job_id"`
	BaseVersion int64     `json:"base_version"`
	Code        string    `json:"code"`
	ReceivedAt  time.Time `json:"received_at"`
	Record      Value     `json:"record"`
	Void        Value     `json:"void"`
	PersonID    string    `json:"person_id"`
	Problem     struct {
		Detail string         `json:"detail"`
		Errors []domain.Fault `json:"errors"`
	} `json:"problem"`
}

// Why says why it was not accepted, and of each bad field its limit.
func (h *heldItem) Why() (list []string) {
	for _, f := range h.Problem.Errors {
		f.Pointer = strings.TrimPrefix(f.Pointer, "/record")
		list = append(list, faultSentence(f))
	}
	if len(list) == 0 && h.Problem.Detail != "" {
		list = append(list, sentence(h.Problem.Detail))
	}
	if len(list) == 0 {
		list = append(list, sentence(Plain(h.Code)))
	}
	return list
}

// Conflict tells that somebody changed the record meanwhile.
func (h *heldItem) Conflict() bool { return h.Code == string(domain.VersionConflict) }

const heldAddress = "/v1/held"

// held lists what came and was not accepted, and why.
func (p *Pages) held(ctx context.Context, v *Visit) (Page, error) {
	const shown = 100
	list, more, err := All[heldItem](ctx, v, heldAddress, shown)
	if err != nil {
		return Page{}, err
	}
	page := Page{Title: "Not accepted as it came", Under: "Today", Body: "held", With: list, AsOf: v.Now, Rows: len(list), Data: heldAddress + "?limit=100",
		Table: &Table{Name: "held", Columns: []string{"held_id", "state", "kind", "id", "job_id", "code", "received_at"}}}
	for _, h := range list {
		page.Table.Rows = append(page.Table.Rows, []string{h.HeldID, h.State, h.Kind, h.ID, h.JobID, h.Code, stamp(h.ReceivedAt)})
	}
	if more {
		page.Quiet = "The first hundred."
	}
	if len(list) == 0 {
		page.Lead = "Everything that was sent has been accepted or settled."
	} else {
		page.Lead = sentence(Count(len(list), "item") + " came and could not be accepted; nothing of it is lost")
	}
	return page, nil
}

// A heldField is one value of what came, as a form shows it.
type heldField struct {
	Pointer, Words, Value string
	Fault                 string // its limit, where it is the reason
	Bool                  bool
}

// ID names its input in the page.
func (f heldField) ID() string { return "f" + strings.ReplaceAll(f.Pointer, "/", "-") }

// A heldSide is a member of a record as it came and as it stands.
type heldSide struct {
	Member, Words string
	Came, Stands  string
	Differs       bool
	TakeCame      bool
}

type heldShown struct {
	Item     heldItem
	Who      string
	Faulty   []heldField // the reason
	Others   []heldField
	Sides    []heldSide // of a conflict
	Base     int64      // the version over which it would be accepted
	Mendable bool
}

// heldOne shows one item: why, what came, and of a conflict both sides.
func (p *Pages) heldOne(ctx context.Context, v *Visit) (Page, error) {
	s, err := p.readHeld(ctx, v)
	if err != nil {
		return Page{}, err
	}
	h := &s.Item
	lead := strings.Join(h.Why(), " ")
	if h.Conflict() {
		lead = "Two people changed the same record, and neither may be lost: choose line by line."
	}
	return Page{Title: sentenceStart(Plain(h.Kind)) + " that was not accepted", Under: "Today", Body: "held-one", With: s, AsOf: v.Now, Rows: -1, Lead: lead,
		Data: heldAddress + "?limit=500"}, nil
}

func (p *Pages) readHeld(ctx context.Context, v *Visit) (*heldShown, error) {
	list, _, err := All[heldItem](ctx, v, heldAddress, most)
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(list, func(h heldItem) bool { return h.HeldID == v.Path["id"] })
	if at < 0 {
		return nil, domain.Errorf(domain.NotFound, "this item is settled already, or never was")
	}
	s := &heldShown{Item: list[at], Base: list[at].BaseVersion, Who: p.peopleNames(ctx, v)[list[at].PersonID]}
	h := &s.Item
	if len(h.Record) == 0 {
		return s, nil // a void, or bytes that are no record: as it is, or not
	}
	var sent map[string]any
	if err := readValue(h.Record, &sent); err != nil {
		return s, nil
	}
	s.Mendable = true
	row, known := domain.RowOf(domain.Kind(h.Kind))
	if !known {
		return s, nil
	}
	var current told
	switch err := v.Get(ctx, "/v1/"+row.Plural+"/"+h.ID, &current); {
	case err == nil:
		s.Base = current.Version
	case domain.CodeOf(err) != domain.NotFound:
		return nil, err
	}
	if h.Conflict() && current.Version > 0 {
		var stands map[string]any
		if err := readValue(current.Record, &stands); err != nil {
			return nil, err
		}
		s.sides(v, sent, stands)
		return s, nil
	}
	s.fields(v, sent)
	return s, nil
}

// sides puts both versions beside each other, member by member.
func (s *heldShown) sides(v *Visit, sent, stands map[string]any) {
	members := map[string]bool{}
	for name := range sent {
		members[name] = true
	}
	for name := range stands {
		members[name] = true
	}
	for name := range members {
		side := heldSide{Member: name, Words: fieldWords(name), Came: valueWords(sent[name]), Stands: valueWords(stands[name])}
		side.Differs = side.Came != side.Stands
		side.TakeCame = v.Form.Get("take_"+name) != "stands"
		if side.Differs {
			s.Sides = append(s.Sides, side)
		}
	}
	sort.Slice(s.Sides, func(i, j int) bool { return s.Sides[i].Member < s.Sides[j].Member })
}

// valueWords says a value of a record in a line.
func valueWords(value any) string {
	if value == nil {
		return ""
	}
	flat := map[string]string{}
	flatten("", value, flat)
	if only, ok := flat[""]; ok && len(flat) == 1 {
		return only
	}
	names := make([]string, 0, len(flat))
	for name := range flat {
		names = append(names, name)
	}
	sort.Strings(names)
	for i, name := range names {
		names[i] = name + " " + flat[name]
	}
	return strings.Join(names, ", ")
}

// fields are the values of what came: first those for which it was not accepted.
func (s *heldShown) fields(v *Visit, sent map[string]any) {
	faults := map[string]string{}
	for _, f := range s.Item.Problem.Errors {
		at := strings.TrimPrefix(f.Pointer, "/record")
		if at != "" {
			text := sentence(f.Detail)
			if f.Fix != "" {
				text += " " + sentence(f.Fix)
			}
			faults[at] = text
		}
	}
	flat := map[string]string{}
	bools := map[string]bool{}
	leaves("", sent, func(pointer string, value any) {
		flat[pointer] = leafText(value)
		_, bools[pointer] = value.(bool)
	})
	for pointer := range faults {
		if _, there := flat[pointer]; !there && !hasUnder(flat, pointer) {
			flat[pointer] = "" // it is missing: here it can be given
		}
	}
	for pointer, value := range flat {
		if typed, ok := v.Form["f"+pointer]; ok {
			value = typed[0]
		}
		f := heldField{Pointer: pointer, Words: fieldWords(strings.ReplaceAll(strings.TrimPrefix(pointer, "/"), "/", ", ")), Value: value, Fault: faults[pointer], Bool: bools[pointer]}
		if f.Fault != "" {
			s.Faulty = append(s.Faulty, f)
		} else {
			s.Others = append(s.Others, f)
		}
	}
	byPointer := func(list []heldField) {
		sort.Slice(list, func(i, j int) bool { return list[i].Pointer < list[j].Pointer })
	}
	byPointer(s.Faulty)
	byPointer(s.Others)
}

func hasUnder(flat map[string]string, pointer string) bool {
	for name := range flat {
		if strings.HasPrefix(name, pointer+"/") {
			return true
		}
	}
	return false
}

// leaves calls use with every value of a record that holds no others.
func leaves(pointer string, value any, use func(string, any)) {
	switch x := value.(type) {
	case map[string]any:
		for name, member := range x {
			leaves(pointer+"/"+name, member, use)
		}
	case []any:
		for i, element := range x {
			leaves(pointer+"/"+strconv.Itoa(i), element, use)
		}
	default:
		use(pointer, value)
	}
}

func leafText(value any) string {
	switch x := value.(type) {
	case string:
		return x
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64)
	case bool:
		return strconv.FormatBool(x)
	}
	return ""
}

// put sets the value at a pointer of a record; an empty text takes it out.
// Members on the way must be there, but for the last.
func put(record any, pointer []string, text string) {
	name := pointer[0]
	switch x := record.(type) {
	case map[string]any:
		if len(pointer) > 1 {
			if x[name] == nil && text != "" {
				x[name] = map[string]any{}
			}
			put(x[name], pointer[1:], text)
			return
		}
		if text == "" {
			delete(x, name)
		} else {
			x[name] = typedLike(x[name], text)
		}
	case []any:
		i, err := strconv.Atoi(name)
		if err != nil || i < 0 || i >= len(x) {
			return
		}
		if len(pointer) > 1 {
			put(x[i], pointer[1:], text)
		} else {
			x[i] = typedLike(x[i], text)
		}
	}
}

// typedLike reads a text as what stood there; where nothing did, as a number or
// a truth if it looks like one. What does not fit is the API's to refuse.
func typedLike(was any, text string) any {
	if _, isText := was.(string); isText {
		return text
	}
	if number, err := strconv.ParseFloat(text, 64); err == nil {
		return number
	}
	if truth, err := strconv.ParseBool(text); err == nil {
		return truth
	}
	return text
}

// settle does what the button asks: accepts it as it came, mended or merged, or
// dismisses it.
func (p *Pages) settle(ctx context.Context, v *Visit) (Page, error) {
	err := p.settleOne(ctx, v)
	if err == nil {
		return Page{Location: "/staff/held"}, nil
	}
	page, readErr := p.heldOne(ctx, v)
	if readErr != nil {
		return Page{}, err
	}
	return refusedForm(page, err)
}

func (p *Pages) settleOne(ctx context.Context, v *Visit) error {
	at := heldAddress + "/" + v.Path["id"]
	base, err := strconv.ParseInt(v.Form.Get("base"), 10, 64)
	switch do := v.Form.Get("do"); {
	case do == "dismiss":
		return v.Send(ctx, http.MethodPost, at+"/dismiss", nil, nil)
	case err != nil:
		return domain.Errorf(domain.Invalid, "open the page again: the version that stands is missing")
	case do == "apply":
		return v.Send(ctx, http.MethodPost, at+"/apply", map[string]any{"base_version": base}, nil)
	case do == "mend" || do == "merge":
		return p.mend(ctx, v, base, do == "merge")
	}
	return domain.Errorf(domain.Invalid, "choose what to do")
}

// mend sends what came with the values of the form, as the office's own record,
// which settles the item in the same transaction.
func (p *Pages) mend(ctx context.Context, v *Visit, base int64, merge bool) error {
	s, err := p.readHeld(ctx, v)
	if err != nil {
		return err
	}
	var record map[string]any
	if err := readValue(s.Item.Record, &record); err != nil {
		return domain.Errorf(domain.Invalid, "what came is no record: it can only be dismissed")
	}
	if merge {
		row, known := domain.RowOf(domain.Kind(s.Item.Kind))
		var current told
		if !known {
			return domain.Errorf(domain.Invalid, "what came names no kind of record: it can only be dismissed")
		}
		if err := v.Get(ctx, "/v1/"+row.Plural+"/"+s.Item.ID, &current); err != nil {
			return err
		}
		var stands map[string]any
		if err := readValue(current.Record, &stands); err != nil {
			return err
		}
		for _, side := range s.Sides {
			if v.Form.Get("take_"+side.Member) != "stands" {
				continue
			}
			if stands[side.Member] == nil {
				delete(record, side.Member)
			} else {
				record[side.Member] = stands[side.Member]
			}
		}
	} else {
		for _, f := range slices.Concat(s.Faulty, s.Others) {
			if typed, ok := v.Form["f"+f.Pointer]; ok {
				put(record, strings.Split(strings.TrimPrefix(f.Pointer, "/"), "/"), typed[0])
			}
		}
	}
	item := map[string]any{"kind": s.Item.Kind, "id": s.Item.ID, "base_version": base, "record": record, "resolves": s.Item.HeldID}
	var answer struct {
		Items []struct {
			Status  string `json:"status"`
			Problem struct {
				Code   domain.Code    `json:"code"`
				Detail string         `json:"detail"`
				Errors []domain.Fault `json:"errors"`
			} `json:"problem"`
		} `json:"items"`
	}
	if err := v.Send(ctx, http.MethodPost, "/v1/batches", map[string]any{"items": []any{item}}, &answer); err != nil {
		return err
	}
	if len(answer.Items) != 1 {
		return fmt.Errorf("a batch of one was answered with %d", len(answer.Items))
	}
	switch got := answer.Items[0]; got.Status {
	case "created", "updated", "replayed":
		return nil
	default:
		code := got.Problem.Code
		if code == "" {
			code = domain.Invalid
		}
		return &domain.Error{Code: code, Detail: got.Problem.Detail, Faults: got.Problem.Errors}
	}
}
