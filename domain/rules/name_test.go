package rules

import (
	"testing"

	"ductledger/domain"
)

// A record is named as the crew names it, with as much as is recorded.
func TestNames(t *testing.T) {
	j := clean(t)
	_, a5 := j.boot("A", 5)
	_, trunk := j.part(domain.Trunk, "A", 0, "")
	a := j.assemble()
	for _, row := range []struct{ got, want string }{
		{componentName(&domain.Component{Component: domain.FurnaceJoint, Section: "A", PositionFt: new(20.0)}), "furnace joint A"},
		{componentName(&domain.Component{Component: domain.BranchTakeoff, Section: "B", PositionFt: new(22.0)}), "branch takeoff B at 22.0 ft"},
		{componentName(&domain.Component{Component: domain.Boot, Section: "B", Number: new(3), PositionFt: new(20.0)}), "boot B3"},
		{componentName(&domain.Component{Component: domain.TrunkEnd, Section: "B", End: domain.Rear}), "trunk end B rear"},
		{componentName(&domain.Component{Component: domain.Riser}), "riser"},
		{a.openingName(&domain.Opening{In: domain.InDuct, Section: "A"}), "opening in trunk A"},
		{a.openingName(&domain.Opening{In: domain.InDuct}), "opening in a duct"},
		{a.openingName(&domain.Opening{In: domain.InWrap, Section: "A", PositionFt: new(7.5)}), "opening in the wrap of section A at 7.5 ft"},
		{a.openingName(&domain.Opening{In: domain.InWrap}), "opening in the wrap"},
		{a.repairName(&domain.Repair{Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{a5}}), "repair of boot A5"},
		{a.repairName(&domain.Repair{Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{a5, trunk}}), "repair of boots A5, trunk A"},
		{a.repairName(&domain.Repair{Repair: domain.RepairTrunkSeam, ComponentIDs: []domain.UUID{trunk, a5}}), "repair of trunk A, boot A5"},
		{a.repairName(&domain.Repair{Repair: domain.RepairTrunkSeam}), "repair of trunk seam"},
	} {
		if row.got != row.want {
			t.Errorf("%q, want %q", row.got, row.want)
		}
	}
}

// Of several voided records the one that is meant is named.
func TestVoidedRecordsAreNamed(t *testing.T) {
	j := clean(t)
	for _, n := range []int{3, 4} {
		_, id := j.boot("A", n)
		j.void[id] = true
	}
	_, id := j.boot("A", 4)
	if got := j.assemble().nameOf(domain.Subject{Kind: domain.ComponentKind, ID: id}); got != "boot A4" {
		t.Error(got)
	}
}
