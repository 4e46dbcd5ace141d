package domain_test

import (
	"reflect"
	"testing"

	"ductledger/domain"
)

// A push locks the records of the other kinds one by one; those of a job by their job.
func TestKindsOfAJobNameIt(t *testing.T) {
	for _, row := range domain.Kinds {
		_, names := reflect.TypeOf(row.New()).Elem().FieldByName("JobID")
		if row.Kind.OfJob() != names {
			t.Errorf("a %s is of a job: %v, has a field for it: %v", row.Kind, row.Kind.OfJob(), names)
		}
	}
}
