package api

import (
	"bytes"
	"crypto/rand"
	"encoding/base64"
	mathrand "math/rand/v2"
	"testing"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
)

// 10,000 marks made up by somebody who knows their form and not the key: none
// is taken, and none needs the database to be refused.
func TestForgedMarksAreRefusedWithoutTheDatabase(t *testing.T) {
	t.Parallel()
	key, other := make([]byte, 32), make([]byte, 32)
	_, _ = rand.Read(key) // it never fails
	_, _ = rand.Read(other)
	caller := domain.Caller{Role: domain.Field, Contractor: domain.UUID{1}}
	mine := cursorSeal(key, caller, "", "")
	random := mathrand.New(mathrand.NewPCG(1, 2))
	for i := range 10_000 {
		p := storage.Point{Epoch: domain.UUID{byte(i)}, Position: random.Int64N(1 << 40), Link: [4]byte{byte(i), byte(i >> 8)}}
		if _, ok := readReceipt(key, writeReceipt(other, p)); ok {
			t.Fatalf("a receipt by another key is taken: %+v", p)
		}
		for _, s := range []frame.Seal{cursorSeal(other, caller, "", ""), cursorSeal(key, caller, "job", ""), cursorSeal(key, caller, "", "all"),
			cursorSeal(key, domain.Caller{Role: domain.Field, Contractor: domain.UUID{2}}, "", "")} {
			if _, err := readFeedCursor(mine, feedCursor{p, p.Position}.write(s)); domain.CodeOf(err) != domain.CursorInvalid {
				t.Fatalf("a cursor sealed for another use is taken: %+v", p)
			}
		}
		if got, ok := readReceipt(key, writeReceipt(key, p)); !ok || got != p {
			t.Fatalf("a receipt of ours is %+v, %t", got, ok)
		}
		want := feedCursor{p, p.Position}
		if got, err := readFeedCursor(mine, want.write(mine)); err != nil || got != want {
			t.Fatalf("a cursor of ours is %+v, %v", got, err)
		}
		if _, ok := readReceipt(key, want.write(mine)); ok {
			t.Fatal("a cursor is taken for a receipt")
		}
	}
}

// Whatever text comes as a cursor or a receipt, what is taken is what the service
// wrote: written again, it is the same. The corpus has real ones of this key,
// such as were altered in one place, and cursors of lists.
func FuzzCursor(f *testing.F) {
	key := bytes.Repeat([]byte{7}, 32)
	caller := domain.Caller{Role: domain.Field, Contractor: domain.UUID{1}}
	seal, page := cursorSeal(key, caller, "", ""), frame.PageOf(caller, "jobs")
	same := func(t *testing.T, text, again string) {
		t.Helper()
		a, errA := base64.RawURLEncoding.DecodeString(text)
		b, errB := base64.RawURLEncoding.DecodeString(again)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%q is taken, and what it says is written %q", text, again)
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		if c, err := readFeedCursor(seal, text); err == nil {
			same(t, text, c.write(seal))
		}
		if p, ok := readReceipt(key, text); ok {
			same(t, text, writeReceipt(key, p))
		}
		if id, err := page.Read(text); err == nil {
			same(t, text, page.Write(id))
		}
		var first, second int64
		if err := page.ReadNumbers(text, &first, &second); err == nil {
			same(t, text, page.WriteNumbers(first, second))
		}
	})
}
