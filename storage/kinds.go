package storage

import "ductledger/domain"

// upsertSQL holds for each kind the statement that writes the newest versions
// of its records, many at once. @rows is a JSON array of objects with id,
// version, void and record; a row whose version is not newer is left alone,
// so that fewer rows than asked tell a lost race.
var upsertSQL = map[domain.Kind]string{
	domain.RuleSetKind:         ruleSetUpsertSQL,
	domain.ContractorKind:      contractorUpsertSQL,
	domain.CrewMemberKind:      crewMemberUpsertSQL,
	domain.CredentialKind:      credentialUpsertSQL,
	domain.TrainingEventKind:   trainingEventUpsertSQL,
	domain.InstrumentKind:      instrumentUpsertSQL,
	domain.DeviceKind:          deviceUpsertSQL,
	domain.HomeKind:            homeUpsertSQL,
	domain.JobKind:             jobUpsertSQL,
	domain.CallBackKind:        callBackUpsertSQL,
	domain.VisitKind:           visitUpsertSQL,
	domain.ComponentKind:       componentUpsertSQL,
	domain.CrossoverKind:       crossoverUpsertSQL,
	domain.OpeningKind:         openingUpsertSQL,
	domain.RepairKind:          repairUpsertSQL,
	domain.EnergyIsolationKind: energyIsolationUpsertSQL,
	domain.MeasurementKind:     measurementUpsertSQL,
	domain.PhotoKind:           photoUpsertSQL,
	domain.ReviewKind:          reviewUpsertSQL,
	domain.WaiverKind:          waiverUpsertSQL,
	domain.InspectionKind:      inspectionUpsertSQL,
}
