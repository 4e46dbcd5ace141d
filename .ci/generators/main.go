// Pushes a new job with the client that oapi-codegen made, typed from end to
// end, and reads it back.
package main

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/oapi-codegen/runtime/types"

	"generated/client"
)

func main() {
	if err := run(context.Background()); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(ctx context.Context) error {
	c, err := client.NewClientWithResponses(os.Getenv("DUCTLEDGER_URL"), client.WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+os.Getenv("DUCTLEDGER_FIELD_TOKEN"))
		return nil
	}))
	if err != nil {
		return err
	}
	start, err := c.GetSyncWithResponse(ctx)
	if err != nil || start.JSON200 == nil || start.JSON200.Device == nil || start.JSON200.Device.ContractorId == nil {
		return fmt.Errorf("start: %v %s", err, start.Body)
	}
	all := 500
	instruments, err := c.ListInstrumentsWithResponse(ctx, &client.ListInstrumentsParams{Limit: &all})
	if err != nil || instruments.JSON200 == nil {
		return fmt.Errorf("instruments: %v %s", err, instruments.Body)
	}
	fan := slices.IndexFunc(instruments.JSON200.Items, func(e client.InstrumentEntry) bool { return e.Record.Instrument == client.InstrumentSortDuctFan })
	if fan < 0 {
		return fmt.Errorf("the contractor has no fan: %s", instruments.Body)
	}

	home, job, now := uuid.New(), uuid.New(), time.Now().UTC()
	pressure, flow, gap, what := 25.0, 318.0, 0.5, client.Found("detached")
	boot := client.Component{JobId: job, Component: client.ComponentSortBoot, Found: &what, WidestGapIn: &gap}
	var items []client.BatchItem
	add := func(take func(*client.BatchItem) error) {
		var item client.BatchItem
		if e := take(&item); e != nil {
			err = e
		}
		items = append(items, item)
	}
	add(func(i *client.BatchItem) error {
		return i.FromHomeBatchItem(client.HomeBatchItem{Id: home, Record: &client.Home{SectionCount: 1}})
	})
	add(func(i *client.BatchItem) error {
		return i.FromJobBatchItem(client.JobBatchItem{Id: job, Record: &client.Job{HomeId: home, ContractorId: *start.JSON200.Device.ContractorId, PayBasis: client.Measured, State: client.JobStateInWork}})
	})
	add(func(i *client.BatchItem) error {
		return i.FromVisitBatchItem(client.VisitBatchItem{Id: uuid.New(), Record: &client.Visit{JobId: job, VisitedOn: types.Date{Time: now}}})
	})
	add(func(i *client.BatchItem) error {
		return i.FromComponentBatchItem(client.ComponentBatchItem{Id: uuid.New(), Record: &boot})
	})
	add(func(i *client.BatchItem) error {
		return i.FromMeasurementBatchItem(client.MeasurementBatchItem{Id: uuid.New(), Record: &client.Measurement{JobId: job, Method: client.FanTotal, Stage: client.StageBefore,
			InstrumentId: instruments.JSON200.Items[fan].Id, TakenAt: now, Readings: []client.Reading{{PressurePa: &pressure, FlowCfm: &flow}}}})
	})
	if err != nil {
		return err
	}
	pushed, err := c.PostBatchWithResponse(ctx, &client.PostBatchParams{}, client.Batch{Items: items})
	if err != nil || pushed.JSON207 == nil {
		return fmt.Errorf("push: %v %s", err, pushed.Body)
	}
	for _, item := range pushed.JSON207.Items {
		if item.Status != "created" {
			return fmt.Errorf("push: %s", pushed.Body)
		}
	}

	entries, err := c.EntriesOfJobWithResponse(ctx, job)
	if err != nil || entries.JSON200 == nil {
		return fmt.Errorf("entries: %v %s", err, entries.Body)
	}
	read := 0
	for _, e := range entries.JSON200.Items {
		value, err := e.ValueByDiscriminator()
		if err != nil {
			return err
		}
		switch e := value.(type) { // a record is known by its kind
		case client.ComponentEntry:
			if e.Record.Found == nil || *e.Record.Found != what {
				return fmt.Errorf("component: %+v", e)
			}
			read++
		case client.MeasurementEntry:
			if len(e.Record.Readings) != 1 || *e.Record.Readings[0].FlowCfm != flow {
				return fmt.Errorf("measurement: %+v", e)
			}
			read++
		}
	}
	if read != 2 {
		return fmt.Errorf("%d of 2 records came back: %s", read, entries.Body)
	}
	fmt.Printf("pushed and read back a job of %d records\n", len(items))
	return nil
}
