package domain

import "time"

// AppointmentState is what became of an appointment.
type AppointmentState string

const (
	AppointmentMade     AppointmentState = "made"
	AppointmentKept     AppointmentState = "kept"
	AppointmentMissed   AppointmentState = "missed" // nobody let the crew in
	AppointmentMoved    AppointmentState = "moved"  // to a further one
	AppointmentCanceled AppointmentState = "canceled"
)

// Appointment is a day agreed on with the resident, in the office's hand. Who lives there stands with the resident.
type Appointment struct {
	JobID UUID `json:"job_id"`
	// The day agreed on.
	PlannedOn Date `json:"planned_on"`
	// The earliest time of arrival.
	FromAt *time.Time `json:"from_at,omitzero"`
	// The latest time of arrival.
	UntilAt *time.Time `json:"until_at,omitzero" validate:"omitempty,notbefore=FromAt"`
	// What became of it.
	State AppointmentState `json:"state"`
	// The day on which the resident was reminded.
	RemindedOn Date `json:"reminded_on,omitzero"`
}

func (*Appointment) Kind() Kind    { return AppointmentKind }
func (a *Appointment) Job() UUID   { return a.JobID }
func (a *Appointment) Refs() []Ref { return []Ref{{"/job_id", JobKind, a.JobID}} }
