package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/upkeep"
)

// The office is told when a backup was last proved, and to try it where it never
// was, or too long ago: nothing that is left out reads as a good backup.
func TestTheBackupsAge(t *testing.T) {
	a := apitest.Serve(t)
	sessions := 0
	tell := func(toDo []string, triedAt bool, onThePage string) {
		t.Helper()
		var got struct {
			TriedAt string   `json:"backup_tried_at"`
			ToDo    []string `json:"to_do"`
			Within  int      `json:"backup_try_within_days"`
		}
		a.Do(domain.Staff, "GET", "/v1/program", nil).Want(200).Into(&got)
		if !slices.Equal(got.ToDo, toDo) || (got.TriedAt != "") != triedAt || got.Within != 92 {
			t.Errorf("%+v", got)
		}
		sessions++ // none lasts as long as this test's clock moves
		page := signedIn(a, domain.Admin, fmt.Sprint("Carla Invented ", sessions)).read("/staff/settings", nil, 200)
		if !strings.Contains(page, onThePage) {
			t.Errorf("%q is not on the page: %s", onThePage, page)
		}
	}
	tell([]string{"try_backup"}, false, "never tried")
	if err := upkeep.NoteRestoreTried(t.Context(), a.DB, a.Admin, 1); err != nil {
		t.Fatal(err)
	}
	tell([]string{}, true, "proved today")
	a.Clock.Move(upkeep.RestoreWithin)
	tell([]string{}, true, "proved 92 days ago")
	a.Clock.Move(time.Second)
	tell([]string{"try_backup"}, true, "to try again")
}
