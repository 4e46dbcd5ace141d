package storage

import "ductledger/domain"

// kindSQL are the statements that write the records of a kind, many at once:
// those that are new, and those of which a version is stored. @rows is a JSON
// array of objects with id, version, void and the record's fields. A new row that is there
// already breaks its key, a version that is not newer is left alone: both tell
// a lost race.
type kindSQL struct{ insert, upsert string }

var kindsSQL = map[domain.Kind]kindSQL{
	domain.RuleSetKind:         {ruleSetInsertSQL, ruleSetUpsertSQL},
	domain.ContractorKind:      {contractorInsertSQL, contractorUpsertSQL},
	domain.CrewMemberKind:      {crewMemberInsertSQL, crewMemberUpsertSQL},
	domain.CredentialKind:      {credentialInsertSQL, credentialUpsertSQL},
	domain.TrainingEventKind:   {trainingEventInsertSQL, trainingEventUpsertSQL},
	domain.InstrumentKind:      {instrumentInsertSQL, instrumentUpsertSQL},
	domain.DeviceKind:          {deviceInsertSQL, deviceUpsertSQL},
	domain.HomeKind:            {homeInsertSQL, homeUpsertSQL},
	domain.JobKind:             {jobInsertSQL, jobUpsertSQL},
	domain.AppointmentKind:     {appointmentInsertSQL, appointmentUpsertSQL},
	domain.CallBackKind:        {callBackInsertSQL, callBackUpsertSQL},
	domain.VisitKind:           {visitInsertSQL, visitUpsertSQL},
	domain.ComponentKind:       {componentInsertSQL, componentUpsertSQL},
	domain.CrossoverKind:       {crossoverInsertSQL, crossoverUpsertSQL},
	domain.OpeningKind:         {openingInsertSQL, openingUpsertSQL},
	domain.RepairKind:          {repairInsertSQL, repairUpsertSQL},
	domain.EnergyIsolationKind: {energyIsolationInsertSQL, energyIsolationUpsertSQL},
	domain.MeasurementKind:     {measurementInsertSQL, measurementUpsertSQL},
	domain.PhotoKind:           {photoInsertSQL, photoUpsertSQL},
	domain.ReviewKind:          {reviewInsertSQL, reviewUpsertSQL},
	domain.WaiverKind:          {waiverInsertSQL, waiverUpsertSQL},
	domain.InspectionKind:      {inspectionInsertSQL, inspectionUpsertSQL},
}
