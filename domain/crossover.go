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
	JobID UUID `json:"job_id"`
	// The section from which air comes.
	FromSection Section `json:"from_section"`
	// The section to which it goes.
	ToSection Section `json:"to_section" validate:"nefield=FromSection"`
	// How it is made.
	Crossover CrossoverSort `json:"crossover"`
	// What the crew did with it.
	Action CrossoverAction `json:"action,omitzero"`
	// When it was off both collars.
	TakenDownAt *time.Time `json:"taken_down_at,omitzero"`
	// The two ends, each named by its section.
	Ends []CrossoverEnd `json:"ends,omitzero" validate:"omitempty,max=2,dive"`
	// The least distance to the soil along the whole run in in.
	ClearanceIn *float64 `json:"clearance_in,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.25"`
	// What keeps it up; foam_board is closed-cell and continuous, belly and floor mean that it lies in them.
	Support SupportSort `json:"support,omitzero"`
	// The widest distance between supports in ft.
	SupportSpacingFt *float64 `json:"support_spacing_ft,omitzero" validate:"omitempty,gt=0,lte=60" step:"0.1"`
	// Straps or blocks along the run.
	SupportsCount *int `json:"supports_count,omitzero" validate:"omitempty,gte=0,lte=50"`
	// Sag between supports in in per ft.
	SagInPerFt *float64 `json:"sag_in_per_ft,omitzero" validate:"omitempty,gte=0,lte=24" step:"0.1"`
	// Sag as it is seen, in place of a figure; touching the soil.
	Sag Sag `json:"sag,omitzero"`
	// A hand passes under everywhere along the run, in place of a figure.
	HandPassesUnder *bool `json:"hand_passes_under,omitzero"`
	// Why it could not be taken down.
	NotReachedReason string `json:"not_reached_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// Inside diameter of the duct in in.
	DuctDiameterIn *float64 `json:"duct_diameter_in,omitzero" validate:"omitempty,gt=0,lte=36" step:"0.5"`
	// Insulation in h·ft²·°F/Btu.
	InsulationR *float64 `json:"insulation_r,omitzero" validate:"omitempty,gte=0,lte=40" step:"0.1"`
	// Length of the run in ft.
	LengthFt *float64 `json:"length_ft,omitzero" validate:"omitempty,gt=0,lte=100" step:"0.1"`
	// What damaged the old one.
	DamageCause string `json:"damage_cause,omitzero" validate:"omitempty,oneof=animals soil water age hand_tight_bands pulled_down other_trade other"`
	// Mastic was put between core and collar. It is not required.
	LinerMastic *bool `json:"liner_mastic,omitzero"`
}

// CrossoverEnd is one end of a crossover on its collar.
type CrossoverEnd struct {
	Section Section `json:"section"`
	// Distance in ft from the end that the crew calls front, the same for all sections.
	PositionFt *float64 `json:"position_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// Diameter of the collar in in.
	CollarDiameterIn *float64 `json:"collar_diameter_in,omitzero" validate:"omitempty,gt=0,lte=36" step:"0.5"`
	CollarFound      Found    `json:"collar_found,omitzero"`
	// The collar is sealed to the trunk.
	CollarSealed *bool `json:"collar_sealed,omitzero"`
	// Its tabs are folded against the inside of the trunk.
	TabsFolded *bool `json:"tabs_folded,omitzero"`
	// A connector is screwed down, in place of tabs.
	ScrewConnector *bool `json:"screw_connector,omitzero"`
	// Fasteners through tabs or connector, sound old ones included.
	FastenersCount *int `json:"fasteners_count,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The band on the core is new.
	InnerBandNew *bool `json:"inner_band_new,omitzero"`
	// The band on the core was drawn with a tensioning tool.
	InnerBandToolTightened *bool `json:"inner_band_tool_tightened,omitzero"`
	// The band on the jacket is new.
	OuterBandNew *bool `json:"outer_band_new,omitzero"`
	// The band on the jacket was drawn with a tensioning tool.
	OuterBandToolTightened *bool `json:"outer_band_tool_tightened,omitzero"`
	// What holds an oval duct, which takes no band.
	OtherFastener string `json:"other_fastener,omitzero" validate:"omitempty,min=1,max=120" text:"free"`
	// Turns of the core's helix that cover the collar.
	LinerTurnsCount *float64 `json:"liner_turns_count,omitzero" validate:"omitempty,gte=0,lte=30" step:"0.5"`
	// At least as many turns as the program wants were felt, in place of a count.
	TurnsFelt *bool `json:"turns_felt,omitzero"`
	// The facts of its bands were confirmed as one.
	KitConfirmed *bool `json:"kit_confirmed,omitzero"`
}

func (*Crossover) Kind() Kind    { return CrossoverKind }
func (c *Crossover) Job() UUID   { return c.JobID }
func (c *Crossover) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }

// Flexible tells the crossovers that take bands and hang from straps.
func (c *Crossover) Flexible() bool { return c.Crossover == FlexRound || c.Crossover == FlexOval }
