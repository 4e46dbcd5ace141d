package agency

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/callbacks"
	"ductledger/domain/ledger"
	callbacksdb "ductledger/storage/callbacks"
)

// How often contractors are called back, of the jobs first accepted in the period.
type callBackRatesAnswer struct {
	periodHead
	callbacks.Figures
}

// callBackRates answers how often contractors are called back.
func (d Desk) callBackRates(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	from, before := periodOf(r)
	c, err := callbacksdb.Read(ctx, d.DB, caller.Program, from, before, r.Position())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: callBackRatesAnswer{periodHead{from, before, ledger.Stamp(c.AsOfAt), c.Position, callbacks.MethodVersion}, c.Figures}}, nil
}

// callBacksOperations are what the contract says of the operation of this file.
func callBacksOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getCallBackRates": {
			Tag: "Performance", Summary: "How often contractors are called back",
			Description: "All contractors in one answer. A job counts once, and complaints within the warranty alone. The rate is of jobs whose " +
				"warranty is over; the comparison goes by the time that each job has been under warranty, with exact limits and false " +
				"discoveries controlled. Causes are those of the short list.",
			Query: periodPositionQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The figures.", Body: callBackRatesAnswer{}}},
		},
	}
}
