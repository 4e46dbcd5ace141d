package domain

import (
	"reflect"
	"strings"
)

// OfficeMembers are the members of a kind's records that the office knows and a
// crew does not: those with the tag set:"office". What a crew sends, or leaves
// out, there does not change what stands.
func OfficeMembers(kind Kind) []string { return officeMembers[kind] }

var officeMembers = func() map[Kind][]string {
	all := map[Kind][]string{}
	for _, row := range Kinds {
		t := reflect.TypeOf(row.New()).Elem()
		for i := range t.NumField() {
			if f := t.Field(i); f.Tag.Get("set") == "office" {
				name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
				all[row.Kind] = append(all[row.Kind], name)
			}
		}
	}
	return all
}()
