package domain

import (
	"slices"
	"time"
)

// ComponentSort is a part of the ducts.
type ComponentSort string

const (
	Boot          ComponentSort = "boot"
	Riser         ComponentSort = "riser"
	Trunk         ComponentSort = "trunk"
	TrunkEnd      ComponentSort = "trunk_end"
	FurnaceJoint  ComponentSort = "furnace_joint"
	BranchTakeoff ComponentSort = "branch_takeoff"
	SupplyCollar  ComponentSort = "supply_collar" // of a packaged outdoor unit
)

// Found is the state in which a part was found.
type Found string

const (
	FoundTight         Found = "tight"
	FoundLeaky         Found = "leaky"
	FoundDetached      Found = "detached"
	FoundMissing       Found = "missing"
	FoundHoled         Found = "holed" // a trunk or riser: each hole is an opening of its own
	FoundNotAccessible Found = "not_accessible"
)

// End is one of a trunk's two ends, seen from the end that the crew calls front.
type End string

const (
	Front End = "front"
	Rear  End = "rear"
)

// TrunkMaterial is what a trunk is made of.
type TrunkMaterial string

const (
	MetalTrunk TrunkMaterial = "sheet_metal"
	BoardTrunk TrunkMaterial = "duct_board"
)

// Component is one part of the ducts of a home, as found, or one statement
// about many parts of one sort in one section that were found alike: then it
// has their numbers in place of one. Positions run in ft from the end that the
// crew calls front, the same for all sections; so do numbers.
type Component struct {
	JobID          UUID          `json:"job_id"`
	Component      ComponentSort `json:"component"`
	Section        Section       `json:"section,omitzero"`
	Number         *int          `json:"number,omitzero"`
	Numbers        []int         `json:"numbers,omitzero" validate:"omitempty,min=2,max=40,unique,excluded_with=Number,dive,gte=1,lte=99"` // of the parts that one statement stands for
	Count          *int          `json:"count,omitzero" validate:"omitempty,gte=1,lte=99"`                                                 // how many parts of this sort the section has, as counted by who states it
	End            End           `json:"end,omitzero"`
	Found          Found         `json:"found,omitzero"`
	FoundReason    string        `json:"found_reason,omitzero"`
	PositionFt     *float64      `json:"position_ft,omitzero"`
	StartFt        *float64      `json:"start_ft,omitzero"`
	EndFt          *float64      `json:"end_ft,omitzero" validate:"omitempty,beyond=StartFt"`
	InsideWidthIn  *float64      `json:"inside_width_in,omitzero"`
	InsideHeightIn *float64      `json:"inside_height_in,omitzero"`
	WidestGapIn    *float64      `json:"widest_gap_in,omitzero"`
	MemberID       *UUID         `json:"member_id,omitzero"` // who looked at it
	StatedAt       *time.Time    `json:"stated_at,omitzero"` // when it was looked at
	// Of a trunk: what it is made of, what it feeds, and where the first and
	// the last outlet are, measured from the front.
	Material      TrunkMaterial `json:"material,omitzero"`
	BootsCount    *int          `json:"boots_count,omitzero" validate:"omitempty,gte=0,lte=99"`
	TakeoffsCount *int          `json:"takeoffs_count,omitzero" validate:"omitempty,gte=0,lte=99"`
	FirstOutletFt *float64      `json:"first_outlet_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	LastOutletFt  *float64      `json:"last_outlet_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
}

func (*Component) Kind() Kind  { return ComponentKind }
func (c *Component) Job() UUID { return c.JobID }
func (c *Component) Refs() []Ref {
	return addRef([]Ref{{"/job_id", JobKind, c.JobID}}, "/member_id", CrewMemberKind, c.MemberID)
}

// Parts is how many parts the record stands for.
func (c *Component) Parts() int { return max(1, len(c.Numbers)) }

// Has tells whether the record stands for the part of that number.
func (c *Component) Has(number int) bool {
	return c.Number != nil && *c.Number == number || slices.Contains(c.Numbers, number)
}
