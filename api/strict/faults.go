package strict

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
)

// Faults are what is wrong with a value: the first in the order of their
// places, and how many more there are.
type Faults struct {
	List []domain.Fault
	More int
}

// Err is the answer to a body with faults; nil when there are none.
func (f Faults) Err() error {
	err := domain.InvalidFields(f.List)
	if e, ok := err.(*domain.Error); ok && f.More > 0 {
		e.Detail, e.More = fmt.Sprintf("%d fields are not acceptable", len(f.List)+f.More), f.More
	}
	return err
}

// A note is a fault whose advice is looked for only when it is told.
type note struct {
	domain.Fault
	name string // that is not known
	of   *objectNode
}

// notes keeps as many faults as one answer names, with room to gather more
// before they are sorted: a hostile body has tens of thousands.
type notes struct {
	list []note
	more int
}

const (
	toldFaults = 100
	keptFaults = 4 * toldFaults
)

func (n *notes) add(one note) {
	if n.list = append(n.list, one); len(n.list) > keptFaults {
		n.cut()
	}
}

// cut keeps those that come first.
func (n *notes) cut() {
	slices.SortStableFunc(n.list, func(a, b note) int { return compareFaults(a.Fault, b.Fault) })
	n.list = slices.CompactFunc(n.list, func(a, b note) bool { return a.Fault == b.Fault })
	if len(n.list) > toldFaults {
		n.more += len(n.list) - toldFaults
		n.list = slices.Clip(n.list[:toldFaults])
	}
}

func (n *notes) done() Faults {
	if len(n.list) == 0 {
		return Faults{}
	}
	n.cut()
	faults := Faults{make([]domain.Fault, len(n.list)), n.more}
	for i, one := range n.list {
		if one.of != nil {
			one.Detail, one.Fix = one.of.unknown(one.name)
		}
		faults.List[i] = one.Fault
	}
	return faults
}

func compareFaults(a, b domain.Fault) int {
	return cmp.Or(comparePointers(a.Pointer, b.Pointer), cmp.Compare(a.Code, b.Code))
}

// SortFaults orders faults by place and code.
func SortFaults(faults []domain.Fault) { slices.SortStableFunc(faults, compareFaults) }

// unknown says which names are known instead of one, and which is the nearest.
func (o *objectNode) unknown(name string) (detail, fix string) {
	detail = "this field is not known here; known are " + o.known
	if o.known == "" {
		detail = "this field is not known here; none is"
	}
	if o.isRecord && name == "id" {
		return detail, "the id stands in the address of a PUT and beside the record in an item of a batch"
	}
	if o.isRecord && (name == "kind" || name == "version" || name == "base_version") {
		return detail, "this stands beside the record, not in it"
	}
	names := make([]string, len(o.list))
	for i, m := range o.list {
		names[i] = m.Name
	}
	switch near, same := nearest(name, names); {
	case same:
		fix = "the name is " + near
	case near != "":
		fix = "the nearest name is " + near
	}
	return detail, fix
}

// nearest is the word of a list that was probably meant; same tells that only
// capitals, dashes or underscores differ. None is near what is too far from all.
func nearest(text string, words []string) (near string, same bool) {
	least := max(1, len(text)/3) + 1
	for _, w := range words {
		if plainName(w) == plainName(text) {
			return w, true
		}
		if d := distance(w, text, least); d < least {
			near, least = w, d
		}
	}
	return near, false
}

func plainName(name string) string {
	return strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(name, "_", ""), "-", ""))
}

// distance counts the letters to be put in, taken out or changed (Levenshtein);
// enough or more is given as enough.
func distance(a, b string, enough int) int {
	if len(a)-len(b) >= enough || len(b)-len(a) >= enough {
		return enough
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := before
			if a[i] != b[j] {
				change++
			}
			before = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return min(enough, row[len(b)])
}
