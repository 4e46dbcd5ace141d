package domain

import "time"

// OpeningPlace is what was cut or torn.
type OpeningPlace string

const (
	InWrap OpeningPlace = "wrap"
	InDuct OpeningPlace = "duct"
)

// OpeningOrigin is who made it.
type OpeningOrigin string

const (
	ByCrew        OpeningOrigin = "crew"
	FoundOpen     OpeningOrigin = "found"
	FoundEnlarged OpeningOrigin = "found_enlarged" // counts as the crew's
)

// Opening is a hole in wrap or duct: made by the crew, found there, or found
// and enlarged.
type Opening struct {
	JobID UUID `json:"job_id"`
	// What was cut or torn.
	In OpeningPlace `json:"in"`
	// Who made it; an enlarged one counts as the crew's.
	Origin OpeningOrigin `json:"origin"`
	// The part for which it was made.
	Target  *Subject `json:"target,omitzero"`
	Section Section  `json:"section,omitzero"`
	// Distance in ft from the end that the crew calls front, the same for all sections.
	PositionFt *float64 `json:"position_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// Width of the hole in in.
	WidthIn *float64 `json:"width_in,omitzero" validate:"omitempty,gt=0,lte=600" step:"0.25"`
	// Length of the hole in in.
	LengthIn *float64   `json:"length_in,omitzero" validate:"omitempty,gt=0,lte=600" step:"0.25"`
	MadeAt   *time.Time `json:"made_at,omitzero"`
	ClosedAt *time.Time `json:"closed_at,omitzero" validate:"omitempty,notbefore=MadeAt"`
	// Cut metal edges are taped against cuts.
	EdgesTaped *bool    `json:"edges_taped,omitzero"`
	Closure    *Closure `json:"closure,omitzero"`
	// Why a hole that was found in a duct could not be reached.
	NotReachedReason string `json:"not_reached_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// False where the cavity behind the wrap was found empty.
	InsulationFound *bool `json:"insulation_found,omitzero"`
}

// How an opening was closed, with a patch on a duct, with fabric or board on a wrap.
type Closure struct {
	// Width of the patch in in.
	PatchWidthIn *float64 `json:"patch_width_in,omitzero" validate:"omitempty,gt=0,lte=600" step:"0.25"`
	// Length of the patch in in.
	PatchLengthIn *float64 `json:"patch_length_in,omitzero" validate:"omitempty,gt=0,lte=600" step:"0.25"`
	// How far the patch laps over the edge in in, the least of all sides.
	PatchLapIn *float64 `json:"patch_lap_in,omitzero" validate:"omitempty,gte=0,lte=60" step:"0.125"`
	// Mastic lies under the patch.
	MasticUnder *bool `json:"mastic_under,omitzero"`
	// Mastic lies over it.
	MasticOver *bool `json:"mastic_over,omitzero"`
	// Screws or other fasteners hold the patch, beside the mastic.
	PatchFastened *bool `json:"patch_fastened,omitzero"`
	// The facts of the closure were confirmed as one.
	KitConfirmed *bool `json:"kit_confirmed,omitzero"`
	// The mastic reaches the limit of the program by a gauge.
	ThicknessReached *bool `json:"thickness_reached,omitzero"`
	// What closed the wrap.
	WrapMaterial string `json:"wrap_material,omitzero" validate:"omitempty,oneof=fabric rigid_board other"`
	// What joins it to the wrap; clinched staples are turned out behind the fabric.
	WrapJoining string `json:"wrap_joining,omitzero" validate:"omitempty,oneof=clinched_staples staples stitched fasteners_with_washers tape adhesive other"`
	// Insulation is back under it.
	InsulationBack *bool `json:"insulation_back,omitzero"`
	// Lap of board on board in in.
	LapIn *float64 `json:"lap_in,omitzero" validate:"omitempty,gte=0,lte=60" step:"0.125"`
}

func (*Opening) Kind() Kind  { return OpeningKind }
func (o *Opening) Job() UUID { return o.JobID }
func (o *Opening) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, o.JobID}}
	if o.Target != nil {
		refs = append(refs, Ref{"/target/id", o.Target.Kind, o.Target.ID})
	}
	return refs
}

// Made tells whether the crew answers for it.
func (o *Opening) Made() bool { return o.Origin == ByCrew || o.Origin == FoundEnlarged }

// Subject is the record that something is about.
type Subject struct {
	Kind Kind `json:"kind"`
	ID   UUID `json:"id"`
}
