package api_test

import (
	"context"
	"encoding/base64"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

type historyAnswer struct {
	Epoch          string
	Receipt        string
	ReceiptIgnored bool   `json:"receipt_ignored"`
	NextAfter      string `json:"next_after"`
	Items          []struct{ Status string }
}

// flipped changes one bit of a cursor or receipt.
func flipped(t *testing.T, text string, bit int) string {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	b[bit/8%len(b)] ^= 1 << (bit % 8)
	return base64.RawURLEncoding.EncodeToString(b)
}

// A receipt that this service did not write, or one with a single bit changed,
// tells nothing: the items are taken and the history stays the one it is.
func TestForgedReceiptIsIgnored(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, staff := a.Tokens[domain.Field], a.Tokens[domain.Staff]
	epoch := standsAt(a, staff).Epoch
	var first, other historyAnswer
	a.Send(field, "POST", "/v1/batches", object{"items": []any{home()}}).Want(207).Into(&first)
	_, tokens := a.Program(t)
	a.Send(tokens[domain.Staff], "POST", "/v1/batches", object{"items": []any{home()}}).Want(207).Into(&other)
	forged := []string{"made up", strings.Repeat("A", 59), other.Receipt, first.Receipt + "AAAA", first.Receipt[:20]}
	for bit := 0; bit < 44*8; bit += 23 {
		forged = append(forged, flipped(t, first.Receipt, bit))
	}
	for _, receipt := range forged {
		var got historyAnswer
		a.Send(field, "POST", "/v1/batches", object{"items": []any{home()}, "receipt": receipt}).Want(207).Into(&got)
		if !got.ReceiptIgnored || len(got.Items) != 1 || got.Items[0].Status != "created" || got.Epoch != epoch {
			t.Errorf("receipt %q: %+v", receipt, got)
		}
		var page historyAnswer
		a.Send(field, "GET", "/v1/changes?after=0&limit=1&receipt="+url.QueryEscape(receipt), nil).Want(200).Into(&page)
		if !page.ReceiptIgnored || page.Epoch != epoch {
			t.Errorf("pull with receipt %q: %+v", receipt, page)
		}
	}
	var honest historyAnswer
	a.Send(field, "POST", "/v1/batches", object{"items": []any{home()}, "receipt": first.Receipt}).Want(207).Into(&honest)
	if honest.ReceiptIgnored || honest.Epoch != epoch {
		t.Errorf("the service's own receipt: %+v", honest)
	}
}

// A cursor that this service did not write is refused: the device begins again.
// A position alone says nothing of the history, however high.
func TestForgedCursorIsRefused(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, staff := a.Tokens[domain.Field], a.Tokens[domain.Staff]
	a.World.Job(t)
	epoch := standsAt(a, staff).Epoch
	var page historyAnswer
	a.Send(field, "GET", "/v1/changes?after=0&limit=1", nil).Want(200).Into(&page)
	for bit := 0; bit < 52*8; bit += 23 {
		if p := a.Send(field, "GET", "/v1/changes?after="+flipped(t, page.NextAfter, bit), nil).Want(400).Problem(); p.Code != "cursor_invalid" {
			t.Errorf("bit %d: %s", bit, p.Code)
		}
	}
	a.Send(field, "GET", "/v1/changes?after="+page.NextAfter, nil).Want(200)
	a.Send(field, "GET", "/v1/changes?after=9000000000", nil).Want(400)
	for _, after := range []string{"9000000000", "9223372036854775807"} {
		a.Send(staff, "GET", "/v1/changes?after="+after, nil).Want(200)
	}
	if now := standsAt(a, staff).Epoch; now != epoch {
		t.Errorf("a new epoch was opened: %s after %s", now, epoch)
	}
}

// A receipt and a cursor of ours beyond the head tell that the database was set
// back: one new epoch opens, whoever comes first.
func TestHonestMarkBeyondTheHeadTellsARestore(t *testing.T) {
	t.Parallel()
	for _, how := range []string{"receipt of a push", "receipt of a pull", "cursor"} {
		t.Run(how, func(t *testing.T) {
			t.Parallel()
			a := apitest.Serve(t)
			staff := a.Tokens[domain.Staff]
			epoch := standsAt(a, staff).Epoch
			var pushed, page historyAnswer
			a.Send(staff, "POST", "/v1/batches", object{"items": []any{home()}}).Want(207).Into(&pushed)
			a.Send(staff, "GET", "/v1/changes?limit=500", nil).Want(200).Into(&page)
			setBack(t, a)
			send := func() string {
				var p struct{ Epoch, Code string }
				switch how {
				case "cursor":
					a.Send(staff, "GET", "/v1/changes?after="+page.NextAfter, nil).Want(409).Into(&p)
				case "receipt of a pull":
					a.Send(staff, "GET", "/v1/changes?after=0&receipt="+pushed.Receipt, nil).Want(409).Into(&p)
				default:
					a.Send(staff, "POST", "/v1/batches", object{"items": []any{home()}, "receipt": pushed.Receipt}).Want(409).Into(&p)
				}
				if p.Code != "epoch_changed" {
					t.Errorf("%+v", p)
				}
				return p.Epoch
			}
			opened := send()
			if again := send(); opened == epoch || again != opened || standsAt(a, staff).Epoch != opened {
				t.Errorf("epochs %s, %s, %s", epoch, opened, again)
			}
		})
	}
}

// setBack takes the newest entry away, as a disk does that is restored.
func setBack(t *testing.T, a *apitest.API) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(a.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, sql := range []string{
		"DELETE FROM entry AS l USING program_head AS p WHERE p.program_id = $1 AND l.program_id = $1 AND l.position = p.position",
		`UPDATE program_head AS p SET position = l.position, link = l.link FROM entry AS l
			WHERE p.program_id = $1 AND l.program_id = $1 AND l.position = p.position - 1`,
	} {
		if tag, err := conn.Exec(ctx, sql, [16]byte(a.World.Program)); err != nil || tag.RowsAffected() != 1 {
			t.Fatal(fmt.Errorf("%s: %s, %w", sql, tag, err))
		}
	}
}
