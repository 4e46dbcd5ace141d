package domain

import "time"

// PhotoStage is when in the work a photo was taken.
type PhotoStage string

const (
	SurveyStage PhotoStage = "survey"
	BeforeStage PhotoStage = "before"
	CheckStage  PhotoStage = "check" // reinforced, not yet coated
	AfterStage  PhotoStage = "after"
)

// Shows is the side of its subject that a photo shows.
type Shows string

const (
	ShowsOpen     Shows = "open"
	ShowsClosed   Shows = "closed"
	ShowsBare     Shows = "bare"
	ShowsSealed   Shows = "sealed"
	ShowsFinished Shows = "finished"
	ShowsLock     Shows = "lock"
	ShowsGauge    Shows = "gauge"
	ShowsBothWays Shows = "both_ways"
	ShowsFront    Shows = "toward_front"
	ShowsRear     Shows = "toward_rear"
)

// PhotoSubject is what a photo is of. Section tells the end of a crossover,
// number the part of a statement about many.
type PhotoSubject struct {
	Kind Kind `json:"kind"`
	ID   UUID `json:"id"`
	// The side of the subject that the photo shows.
	Shows Shows `json:"shows,omitzero"`
	// The end of a crossover.
	Section Section `json:"section,omitzero"`
	// The part, of a statement about many.
	Number *int `json:"number,omitzero" validate:"omitempty,gte=1,lte=99"`
}

// Photo is the record of a picture. The picture itself follows later and must have this digest. It is never changed.
type Photo struct {
	JobID UUID `json:"job_id"`
	// SHA-256 of the picture's bytes, as 64 lower-case hex digits.
	SHA256 string `json:"sha256" validate:"sha256"`
	// Size of the picture in bytes.
	BytesCount int64 `json:"bytes_count" validate:"gte=1,lte=33554432"`
	// A HEIC picture is kept as a file for staff: it is not shown to others.
	MediaType string    `json:"media_type" validate:"oneof=image/jpeg image/png image/heic"`
	WidthPx   int       `json:"width_px" validate:"gte=1,lte=20000"`
	HeightPx  int       `json:"height_px" validate:"gte=1,lte=20000"`
	TakenAt   time.Time `json:"taken_at"`
	// When in the work; check is reinforced and not yet coated.
	Stage PhotoStage `json:"stage"`
	// What it shows.
	Subjects []PhotoSubject `json:"subjects" validate:"min=1,max=6,dive"`
	// The device that took it.
	DeviceID *UUID `json:"device_id,omitzero"`
	// The photo that this one corrects, of the same job.
	Replaces *UUID `json:"replaces,omitzero"`
	// Why it is replaced.
	Reason string `json:"reason,omitzero" validate:"required_with_all=Replaces,omitempty,min=1,max=500" text:"free"`
}

func (*Photo) Kind() Kind  { return PhotoKind }
func (p *Photo) Job() UUID { return p.JobID }
func (p *Photo) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, p.JobID}}
	for i, s := range p.Subjects {
		refs = append(refs, Ref{pointerAt("/subjects", i) + "/id", s.Kind, s.ID})
	}
	refs = addRef(refs, "/device_id", DeviceKind, p.DeviceID)
	return addRef(refs, "/replaces", PhotoKind, p.Replaces)
}
