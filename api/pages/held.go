package pages

import (
	"context"
	"net/http"
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
	Problem     struct {
		Detail string         `json:"detail"`
		Errors []domain.Fault `json:"errors"`
	} `json:"problem"`

	Current *told    `json:"-"`
	Why     []string `json:"-"`
	Sent    string   `json:"-"`
	Stands  string   `json:"-"`
}

// held shows what came and was not accepted: why, the field and its limit, and
// of a conflict both sides.
func (p *Pages) held(ctx context.Context, v *Visit) (Page, error) {
	const address = "/v1/held?limit=100"
	list, more, err := All[heldItem](ctx, v, "/v1/held", 100)
	if err != nil {
		return Page{}, err
	}
	for i := range list {
		h := &list[i]
		if h.Problem.Detail != "" {
			h.Why = append(h.Why, sentence(h.Problem.Detail))
		}
		for _, f := range h.Problem.Errors {
			h.Why = append(h.Why, faultSentence(f))
		}
		h.Sent = indented(h.Record)
		row, known := domain.RowOf(domain.Kind(h.Kind))
		if h.Code != string(domain.VersionConflict) || !known {
			continue
		}
		var current told
		if err := v.Get(ctx, "/v1/"+row.Plural+"/"+h.ID, &current); err == nil {
			h.Current, h.Stands = &current, indented(current.Record)
		}
	}
	page := Page{Title: "Not accepted as it came", Under: "Today", Body: "held", With: list, AsOf: v.Now, Rows: len(list), Data: address}
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

// settle applies or dismisses one held item.
func (p *Pages) settle(ctx context.Context, v *Visit) (Page, error) {
	at := "/v1/held/" + v.Path["id"]
	var err error
	switch v.Form.Get("do") {
	case "dismiss":
		err = v.Send(ctx, http.MethodPost, at+"/dismiss", nil, nil)
	case "apply":
		var base int64
		if err := readValue(Value(v.Form.Get("base")), &base); err != nil {
			return Page{}, domain.Errorf(domain.Invalid, "open the page again: the version that stands is missing")
		}
		err = v.Send(ctx, http.MethodPost, at+"/apply", map[string]any{"base_version": base}, nil)
	default:
		return Page{}, domain.Errorf(domain.Invalid, "choose what to do")
	}
	return Page{Location: "/staff/held"}, err
}

// Base is the version over which the item would be accepted.
func (h *heldItem) Base() int64 {
	if h.Current != nil {
		return h.Current.Version
	}
	return h.BaseVersion
}
