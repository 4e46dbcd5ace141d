package domain

import "time"

// RepairSort is what was sealed or made whole.
type RepairSort string

const (
	RepairFurnaceJoint RepairSort = "furnace_joint"
	RepairTrunkSeam    RepairSort = "trunk_seam"
	RepairBoot         RepairSort = "boot"
	RepairRiser        RepairSort = "riser"
	RepairTakeoff      RepairSort = "branch_takeoff"
	RepairTrunkEnd     RepairSort = "trunk_end"
	RepairCrossover    RepairSort = "crossover"
	RepairSupplyCollar RepairSort = "supply_collar"
	RepairTrunk        RepairSort = "trunk"
)

// Material is what a repair was made of.
type Material string

const (
	Mastic     Material = "mastic"
	Mesh       Material = "mesh"
	SheetMetal Material = "sheet_metal"
	Flashing   Material = "flashing"
	DuctBoard  Material = "duct_board"
	Tape       Material = "tape"
	FlexDuct   Material = "flex_duct"
	Bands      Material = "bands"
	Bracket    Material = "bracket"
	Caulk      Material = "caulk"
)

// Fasteners of one kind, counted.
type Fasteners struct {
	Kind  string `json:"kind" validate:"oneof=nail screw bracket staple"`
	Count int    `json:"count" validate:"gte=0,lte=1000"`
}

// Repair is one piece of sealing work on up to forty parts.
type Repair struct {
	JobID UUID `json:"job_id"`
	// What was sealed or made whole.
	Repair RepairSort `json:"repair"`
	// The parts that it covers.
	ComponentIDs []UUID `json:"component_ids,omitzero" validate:"omitempty,min=1,max=40,unique"`
	// The crossover that it covers.
	CrossoverID *UUID `json:"crossover_id,omitzero"`
	// From where it was done.
	Access Access `json:"access,omitzero"`
	// The work was inside the furnace cabinet.
	InCabinet *bool `json:"in_cabinet,omitzero"`
	// When cabinet or duct was opened for it.
	OpenedAt *time.Time `json:"opened_at,omitzero"`
	DoneAt   time.Time  `json:"done_at"`
	// What it was made of.
	Materials []Material `json:"materials,omitzero" validate:"omitempty,max=10,unique"`
	// The widest gap in in.
	WidestGapIn *float64 `json:"widest_gap_in,omitzero" validate:"omitempty,gt=0,lte=24" step:"0.0625"`
	// What holds it beside sealant, counted.
	Fasteners []Fasteners `json:"fasteners,omitzero" validate:"omitempty,max=4,dive"`
	// The least number on any of the named parts.
	FastenersEach *int `json:"fasteners_each,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The widest distance between two of them in in.
	FastenersApartIn *float64 `json:"fasteners_apart_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.5"`
	// The named parts were replaced by new ones.
	NewPart *bool `json:"new_part,omitzero"`
	// Length of an angle bracket in in.
	BracketLengthIn *float64 `json:"bracket_length_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.5"`
	// Screws of an angle bracket in the trunk.
	BracketTrunkScrewsCount *int `json:"bracket_trunk_screws_count,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The bracket's other leg is fastened.
	BracketOtherLegFastened *bool       `json:"bracket_other_leg_fastened,omitzero"`
	EndClosure              *EndClosure `json:"end_closure,omitzero"`
	// The tabs of the joint are folded.
	TabsFolded *bool `json:"tabs_folded,omitzero"`
	// A connector is screwed down, in place of tabs.
	ScrewConnector *bool `json:"screw_connector,omitzero"`
	// The crew member who did it.
	MemberID *UUID `json:"member_id,omitzero"`
	// The earlier repair that this one does again, on the parts that both name.
	RedoesID *UUID `json:"redoes_id,omitzero"`
}

// ClosureForm is what closes a trunk's end.
type ClosureForm string

const (
	SlopedBlank  ClosureForm = "sloped_blank"
	BoardPlug    ClosureForm = "board"
	CapFromBelow ClosureForm = "cap"
)

// BlankMaterial is what a sloped blank is cut from.
type BlankMaterial string

const (
	SheetMetalBlank BlankMaterial = "sheet_metal"
	FlashingBlank   BlankMaterial = "flashing"
)

// EndClosure is what closes one end of a trunk: a blank set between the
// outermost outlet and that end, a plug of duct board, or a cap from below.
type EndClosure struct {
	Form ClosureForm `json:"form"`
	// What a sloped blank is cut from.
	Material BlankMaterial `json:"material,omitzero"`
	// Distance in ft from the end that the crew calls front, the same for all sections.
	PositionFt *float64 `json:"position_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// How far past the outermost outlet it stands in in, measured through that register, in place of a position.
	BeyondOutletIn *float64 `json:"beyond_outlet_in,omitzero" validate:"omitempty,gte=0,lte=240" step:"0.5"`
	// Width of the flat blank in in.
	BlankWidthIn *float64 `json:"blank_width_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.125"`
	// Length of the flat blank in in.
	BlankLengthIn *float64 `json:"blank_length_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.125"`
	// Notch at each corner of the blank in in.
	CornerNotchIn *float64 `json:"corner_notch_in,omitzero" validate:"omitempty,gte=0,lte=12" step:"0.125"`
	ScrewsCount   *int     `json:"screws_count,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The blank's back is to the home's end wall.
	BackToEndWall *bool `json:"back_to_end_wall,omitzero"`
	// A sloped metal blank or cap is sealed all round.
	Sealed *bool `json:"sealed,omitzero"`
	// Board is cut on a taper.
	Tapered *bool `json:"tapered,omitzero"`
	// The board's foil faces the air.
	FoilToAir *bool `json:"foil_to_air,omitzero"`
	// Mastic lies all round the board.
	MasticAllRound *bool `json:"mastic_all_round,omitzero"`
	// The facts of the closure were confirmed as one.
	KitConfirmed *bool `json:"kit_confirmed,omitzero"`
}

func (*Repair) Kind() Kind  { return RepairKind }
func (r *Repair) Job() UUID { return r.JobID }
func (r *Repair) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, r.JobID}}
	for i := range r.ComponentIDs {
		refs = append(refs, Ref{pointerAt("/component_ids", i), ComponentKind, r.ComponentIDs[i]})
	}
	refs = addRef(refs, "/crossover_id", CrossoverKind, r.CrossoverID)
	refs = addRef(refs, "/member_id", CrewMemberKind, r.MemberID)
	return addRef(refs, "/redoes_id", RepairKind, r.RedoesID)
}

// Has tells whether the material was used.
func (r *Repair) Has(materials ...Material) bool {
	for _, used := range r.Materials {
		for _, m := range materials {
			if used == m {
				return true
			}
		}
	}
	return false
}
