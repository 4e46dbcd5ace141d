package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

const deviceUpsertSQL = `
INSERT INTO device (program_id, id, contractor_id, state, void, created_at)
VALUES (@program_id, @id, @contractor_id, @state, @void, @at)
ON CONFLICT (program_id, id) DO UPDATE SET contractor_id = excluded.contractor_id, state = excluded.state, void = excluded.void`

const deviceVoidSQL = `
UPDATE device SET void = true WHERE program_id = @program_id AND id = @id`

// writeDevices queues what every request of a device asks for.
func (t *Tx) writeDevices(accepted []intake.Decision, at time.Time) {
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind != domain.DeviceKind {
			continue
		}
		args := Args{"program_id": t.Program, "id": d.Item.ID, "contractor_id": d.ContractorID, "void": false, "at": at}
		if r, ok := d.Item.Record.(*domain.Device); ok {
			args["state"] = string(r.State)
			t.Queue(deviceUpsertSQL, args)
		} else {
			t.Queue(deviceVoidSQL, args)
		}
	}
}
