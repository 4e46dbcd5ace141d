package domain

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
)

// Kind is the sort of a record, in its singular as JSON has it.
type Kind string

// The kinds of record.
const (
	ContractorKind      Kind = "contractor"
	CrewMemberKind      Kind = "crew_member"
	CredentialKind      Kind = "credential"
	TrainingEventKind   Kind = "training_event"
	InstrumentKind      Kind = "instrument"
	DeviceKind          Kind = "device"
	HomeKind            Kind = "home"
	JobKind             Kind = "job"
	VisitKind           Kind = "visit"
	ComponentKind       Kind = "component"
	CrossoverKind       Kind = "crossover"
	OpeningKind         Kind = "opening"
	RepairKind          Kind = "repair"
	EnergyIsolationKind Kind = "energy_isolation"
	MeasurementKind     Kind = "measurement"
	PhotoKind           Kind = "photo"
	ReviewKind          Kind = "review"
	WaiverKind          Kind = "waiver"
	InspectionKind      Kind = "inspection"
	AppointmentKind     Kind = "appointment"
	CallBackKind        Kind = "call_back"
	RuleSetKind         Kind = "rule_set"
	InspectionDrawKind  Kind = "inspection_draw"
	ApplicationKind     Kind = "application"
)

// A Record is one of the kinds with its facts.
type Record interface {
	Kind() Kind
	// Job is the job that the record belongs to; zero for a job itself and
	// for what belongs to none.
	Job() UUID
	// Refs are the records that must be there before this one can be.
	Refs() []Ref
}

// Ref is a reference to another record, with the place where it stands.
type Ref struct {
	Pointer string // JSON Pointer in the record
	Kind    Kind
	ID      UUID
}

// KindRow is what the service needs to know of a kind.
type KindRow struct {
	Kind    Kind
	Plural  string // as in addresses
	New     func() Record
	Writers []Role // staff and admin write nearly all; the others write on their own jobs only; none: the service itself
	Readers []Role // who may ask for it; the others than staff and admin are shown what is of their own jobs and contractor
	// Owned records have no job and belong to the contractor to whom they or
	// their crew member refer, else to the agency; on the feed they go to its crews.
	Owned bool
	// Fixed records are never changed: a correction is a new record that
	// replaces the old one and says why.
	Fixed bool
}

var (
	byStaff     = []Role{Staff, Admin}
	byCrew      = []Role{Field, Staff, Admin}
	byCrewAndQA = []Role{Field, Inspector, Staff, Admin}

	toOffice      = byStaff
	toContractors = []Role{Field, ContractorRole, Staff, Admin}
	toCrewAndQA   = byCrewAndQA
	toWorkers     = []Role{Field, ContractorRole, Inspector, Staff, Admin}
)

// Kinds is the table of all kinds, parents before children. A new kind is a
// row here, and what DEVELOPERS.md names.
var Kinds = []KindRow{
	{Kind: RuleSetKind, Plural: "rule-sets", New: func() Record { return new(RuleSet) }, Writers: []Role{Admin}, Readers: toWorkers},
	{Kind: InspectionDrawKind, Plural: "inspection-draws", New: func() Record { return new(InspectionDraw) }, Readers: toOffice},
	{Kind: ContractorKind, Plural: "contractors", New: func() Record { return new(Contractor) }, Writers: byStaff, Readers: toWorkers},
	{Kind: CrewMemberKind, Plural: "crew-members", New: func() Record { return new(CrewMember) }, Writers: byStaff, Readers: toContractors, Owned: true},
	{Kind: CredentialKind, Plural: "credentials", New: func() Record { return new(Credential) }, Writers: byStaff, Readers: toContractors, Owned: true},
	{Kind: TrainingEventKind, Plural: "training-events", New: func() Record { return new(TrainingEvent) }, Writers: byStaff, Readers: toOffice},
	{Kind: InstrumentKind, Plural: "instruments", New: func() Record { return new(Instrument) }, Writers: byStaff, Readers: toWorkers, Owned: true},
	{Kind: DeviceKind, Plural: "devices", New: func() Record { return new(Device) }, Writers: byStaff, Readers: toContractors, Owned: true},
	{Kind: HomeKind, Plural: "homes", New: func() Record { return new(Home) }, Writers: byCrew, Readers: toWorkers},
	{Kind: ApplicationKind, Plural: "applications", New: func() Record { return new(Application) }, Writers: byStaff, Readers: toOffice},
	{Kind: JobKind, Plural: "jobs", New: func() Record { return new(Job) }, Writers: byCrew, Readers: toWorkers},
	{Kind: AppointmentKind, Plural: "appointments", New: func() Record { return new(Appointment) }, Writers: byStaff, Readers: toWorkers},
	{Kind: CallBackKind, Plural: "call-backs", New: func() Record { return new(CallBack) }, Writers: byStaff, Readers: toWorkers},
	{Kind: VisitKind, Plural: "visits", New: func() Record { return new(Visit) }, Writers: byCrew, Readers: toWorkers},
	{Kind: ComponentKind, Plural: "components", New: func() Record { return new(Component) }, Writers: byCrew, Readers: toWorkers},
	{Kind: CrossoverKind, Plural: "crossovers", New: func() Record { return new(Crossover) }, Writers: byCrew, Readers: toWorkers},
	{Kind: OpeningKind, Plural: "openings", New: func() Record { return new(Opening) }, Writers: byCrew, Readers: toWorkers},
	{Kind: RepairKind, Plural: "repairs", New: func() Record { return new(Repair) }, Writers: byCrew, Readers: toWorkers},
	{Kind: EnergyIsolationKind, Plural: "energy-isolations", New: func() Record { return new(EnergyIsolation) }, Writers: byCrew, Readers: toWorkers},
	{Kind: MeasurementKind, Plural: "measurements", New: func() Record { return new(Measurement) }, Writers: byCrewAndQA, Readers: toWorkers, Fixed: true},
	{Kind: PhotoKind, Plural: "photos", New: func() Record { return new(Photo) }, Writers: byCrewAndQA, Readers: toCrewAndQA, Fixed: true},
	{Kind: ReviewKind, Plural: "reviews", New: func() Record { return new(Review) }, Writers: []Role{Field, ContractorRole, Staff, Admin}, Readers: toWorkers},
	{Kind: WaiverKind, Plural: "waivers", New: func() Record { return new(Waiver) }, Writers: byStaff, Readers: toWorkers},
	{Kind: InspectionKind, Plural: "inspections", New: func() Record { return new(Inspection) }, Writers: []Role{Inspector, Staff, Admin}, Readers: toWorkers},
}

// RowOf finds the row of a kind; false for a word that is no kind.
func RowOf(kind Kind) (KindRow, bool) {
	for _, row := range Kinds {
		if row.Kind == kind {
			return row, true
		}
	}
	return KindRow{}, false
}

var ranks = func() map[Kind]int {
	ranks := make(map[Kind]int, len(Kinds))
	for i, row := range Kinds {
		ranks[row.Kind] = i
	}
	return ranks
}()

// Rank is the place of a kind in the order in which parents come before
// children; -1 for a word that is no kind.
func (k Kind) Rank() int {
	if rank, ok := ranks[k]; ok {
		return rank
	}
	return -1
}

// OfJob tells whether every record of the kind belongs to a job: these stand
// behind it in the table.
func (k Kind) OfJob() bool { return k.Rank() > JobKind.Rank() }

// add appends the reference when the id is there.
func addRef(refs []Ref, pointer string, kind Kind, id *UUID) []Ref {
	if id == nil || id.IsZero() {
		return refs
	}
	return append(refs, Ref{pointer, kind, *id})
}

func pointerAt(list string, i int) string { return list + "/" + strconv.Itoa(i) }

// Decode reads the body of a stored record. Members that this program does not
// know are skipped: a newer one may have written them.
func Decode(kind Kind, body []byte) (Record, error) {
	row, ok := RowOf(kind)
	if !ok {
		return nil, fmt.Errorf("there is no kind %q", kind)
	}
	record := row.New()
	if err := json.Unmarshal(body, record); err != nil {
		return nil, fmt.Errorf("read a %s: %w", kind, err)
	}
	return record, nil
}

// OfficeMembers are the members of a kind's records that the office knows and a
// crew does not: those with the tag set:"office". What a crew sends, or leaves
// out, there does not change what stands.
func OfficeMembers(kind Kind) []string { return officeMembers[kind] }

var officeMembers = func() map[Kind][]string {
	all := map[Kind][]string{}
	for _, row := range Kinds {
		t := reflect.TypeOf(row.New()).Elem()
		for i := range t.NumField() {
			if f := t.Field(i); f.Tag.Get("set") == "office" {
				name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
				all[row.Kind] = append(all[row.Kind], name)
			}
		}
	}
	return all
}()
