// Package device is a field app without its screens: what a phone keeps, how
// it sends that and how it takes in what others made. It is the example for
// authors of field apps, and drives the demo and the tests.
//
// The one idea: a device never throws work away because of an answer, and
// sending again is always harmless. So every record that the crew wrote is a
// note in a durable journal before anything is sent; a note's content is sent
// with the version that it was made on until an answer comes, however often;
// and what was sent is kept for 30 days, so that a service that lost its
// history is healed by its devices.
//
//	phone, _ := device.Open(device.Options{URL: url, Token: token, Journal: device.File("outbox")})
//	phone.Put(domain.OpeningKind, id, opening) // offline
//	err := phone.Sync(ctx)                     // whenever there is a signal
//	err = phone.SendPictures(ctx)              // after it, over a link that may carry them
//
// To write one, read device.go (what is kept), push.go, pull.go, merge.go,
// epoch.go and pictures.go, in this order; journal.go and link.go are what a platform has of its
// own, badlink.go is the thin link of the tests.
//
// It speaks HTTP and knows nothing of the service's inside. The clock,
// chance and waiting are handed in. A Device serves one goroutine.
package device
