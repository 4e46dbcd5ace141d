package api

import (
	"crypto/rand"
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
