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
	JobID UUID `json:"job_id"`
	// The sort of part; supply_collar is that of a packaged outdoor unit.
	Component ComponentSort `json:"component"`
	Section   Section       `json:"section,omitzero"`
	// Its number in the section, counted from the front.
	Number *int `json:"number,omitzero" validate:"omitempty,gte=1,lte=99"`
	// In place of one number, those of the parts of this sort in the section that one statement stands for.
	Numbers []int `json:"numbers,omitzero" validate:"excluded_with=Number,omitempty,min=2,max=40,unique,dive,gte=1,lte=99"`
	// How many parts of this sort the section has, as counted by who states it.
	Count *int `json:"count,omitzero" validate:"omitempty,gte=1,lte=99"`
	// Which end of the trunk it is.
	End   End   `json:"end,omitzero"`
	Found Found `json:"found,omitzero"`
	// Why it could not be reached.
	FoundReason string `json:"found_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// Distance in ft from the end that the crew calls front, the same for all sections.
	PositionFt *float64 `json:"position_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// Where a trunk starts in ft from the front.
	StartFt *float64 `json:"start_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// Where a trunk ends in ft from the front.
	EndFt *float64 `json:"end_ft,omitzero" validate:"omitempty,gte=0,lte=120,beyond=StartFt" step:"0.1"`
	// Inside width of a trunk in in.
	InsideWidthIn *float64 `json:"inside_width_in,omitzero" validate:"omitempty,gt=0,lte=60" step:"0.125"`
	// Inside height of a trunk in in.
	InsideHeightIn *float64 `json:"inside_height_in,omitzero" validate:"omitempty,gt=0,lte=60" step:"0.125"`
	// The widest gap in in.
	WidestGapIn *float64 `json:"widest_gap_in,omitzero" validate:"omitempty,gt=0,lte=24" step:"0.0625"`
	// The crew member who looked at it.
	MemberID *UUID `json:"member_id,omitzero"`
	// When it was looked at.
	StatedAt *time.Time `json:"stated_at,omitzero"`
	// What a trunk is made of.
	Material TrunkMaterial `json:"material,omitzero"`
	// How many boots a trunk feeds.
	BootsCount *int `json:"boots_count,omitzero" validate:"omitempty,gte=0,lte=99"`
	// How many branch takeoffs a trunk feeds.
	TakeoffsCount *int `json:"takeoffs_count,omitzero" validate:"omitempty,gte=0,lte=99"`
	// Where a trunk's first outlet is in ft from the front.
	FirstOutletFt *float64 `json:"first_outlet_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// Where a trunk's last outlet is in ft from the front.
	LastOutletFt *float64 `json:"last_outlet_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
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
