package domain

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
	FoundNotAccessible Found = "not_accessible"
)

// End is one of a trunk's two ends, seen from the end that the crew calls front.
type End string

const (
	Front End = "front"
	Rear  End = "rear"
)

// Component is one part of the ducts of a home, as found. Positions run in ft
// from the end that the crew calls front, the same for all sections.
type Component struct {
	JobID          UUID          `json:"job_id"`
	Component      ComponentSort `json:"component"`
	Section        Section       `json:"section,omitzero"`
	Number         *int          `json:"number,omitzero"`
	End            End           `json:"end,omitzero"`
	Found          Found         `json:"found,omitzero"`
	FoundReason    string        `json:"found_reason,omitzero"`
	PositionFt     *float64      `json:"position_ft,omitzero"`
	StartFt        *float64      `json:"start_ft,omitzero"`
	EndFt          *float64      `json:"end_ft,omitzero" validate:"omitempty,beyond=StartFt"`
	InsideWidthIn  *float64      `json:"inside_width_in,omitzero"`
	InsideHeightIn *float64      `json:"inside_height_in,omitzero"`
	WidestGapIn    *float64      `json:"widest_gap_in,omitzero"`
}

func (*Component) Kind() Kind    { return ComponentKind }
func (c *Component) Job() UUID   { return c.JobID }
func (c *Component) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }
