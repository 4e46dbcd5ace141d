package domain

import "time"

// CrossoverSort is how a crossover is made.
type CrossoverSort string

const (
	FlexRound CrossoverSort = "flex_round"
	FlexOval  CrossoverSort = "flex_oval"
	Rigid     CrossoverSort = "rigid"
)

// CrossoverAction is what the crew did with it.
type CrossoverAction string

const (
	Refitted  CrossoverAction = "refitted"
	Replaced  CrossoverAction = "replaced"
	LeftAlone CrossoverAction = "none"
)

// SupportSort is what keeps a crossover up.
type SupportSort string

const (
	Straps    SupportSort = "straps"
	Blocks    SupportSort = "blocks"
	FoamBoard SupportSort = "foam_board" // closed-cell, continuous
	InBelly   SupportSort = "belly"
	InFloor   SupportSort = "floor"
	Unheld    SupportSort = "none"
)

// Sag is how a flexible duct hangs between its supports, as somebody sees it
// who has no tape measure at hand.
type Sag string

const (
	NoSag    Sag = "none"
	SomeSag  Sag = "some"
	Touching Sag = "touching" // the soil
)

// Crossover is the duct that carries air from one section to another, with
// the collar at each of its ends.
type Crossover struct {
	JobID            UUID            `json:"job_id"`
	FromSection      Section         `json:"from_section"`
	ToSection        Section         `json:"to_section" validate:"nefield=FromSection"`
	Crossover        CrossoverSort   `json:"crossover"`
	Action           CrossoverAction `json:"action,omitzero"`
	TakenDownAt      *time.Time      `json:"taken_down_at,omitzero"`
	Ends             []CrossoverEnd  `json:"ends,omitzero" validate:"dive"`
	ClearanceIn      *float64        `json:"clearance_in,omitzero"` // least distance to the soil along the whole run
	Support          SupportSort     `json:"support,omitzero"`
	SupportSpacingFt *float64        `json:"support_spacing_ft,omitzero"`
	SupportsCount    *int            `json:"supports_count,omitzero" validate:"omitempty,gte=0,lte=50"` // straps or blocks along the run
	SagInPerFt       *float64        `json:"sag_in_per_ft,omitzero"`
	Sag              Sag             `json:"sag,omitzero"`                // seen, in place of a figure
	HandPassesUnder  *bool           `json:"hand_passes_under,omitzero"`  // everywhere along the run, in place of a figure
	NotReachedReason string          `json:"not_reached_reason,omitzero"` // why it could not be taken down
	DuctDiameterIn   *float64        `json:"duct_diameter_in,omitzero"`
	InsulationR      *float64        `json:"insulation_r,omitzero"`
	LengthFt         *float64        `json:"length_ft,omitzero"`
	DamageCause      string          `json:"damage_cause,omitzero"`
	LinerMastic      *bool           `json:"liner_mastic,omitzero"` // between core and collar; not required
}

// CrossoverEnd is one end of a crossover on its collar.
type CrossoverEnd struct {
	Section                Section  `json:"section"`
	PositionFt             *float64 `json:"position_ft,omitzero"`
	CollarDiameterIn       *float64 `json:"collar_diameter_in,omitzero"`
	CollarFound            Found    `json:"collar_found,omitzero"`
	CollarSealed           *bool    `json:"collar_sealed,omitzero"`
	TabsFolded             *bool    `json:"tabs_folded,omitzero"`
	ScrewConnector         *bool    `json:"screw_connector,omitzero"` // a connector is screwed down, in place of tabs
	FastenersCount         *int     `json:"fasteners_count,omitzero"` // through tabs or connector, sound old ones included
	InnerBandNew           *bool    `json:"inner_band_new,omitzero"`
	InnerBandToolTightened *bool    `json:"inner_band_tool_tightened,omitzero"`
	OuterBandNew           *bool    `json:"outer_band_new,omitzero"`
	OuterBandToolTightened *bool    `json:"outer_band_tool_tightened,omitzero"`
	OtherFastener          string   `json:"other_fastener,omitzero"` // of an oval duct, which takes no band
	LinerTurnsCount        *float64 `json:"liner_turns_count,omitzero"`
	TurnsFelt              *bool    `json:"turns_felt,omitzero"`    // at least as many turns as the program wants, in place of a count
	KitConfirmed           *bool    `json:"kit_confirmed,omitzero"` // the facts of its bands were confirmed as one
}

func (*Crossover) Kind() Kind    { return CrossoverKind }
func (c *Crossover) Job() UUID   { return c.JobID }
func (c *Crossover) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }

// Flexible tells the crossovers that take bands and hang from straps.
func (c *Crossover) Flexible() bool { return c.Crossover == FlexRound || c.Crossover == FlexOval }
