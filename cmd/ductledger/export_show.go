package main

import (
	"fmt"
	"time"
)

// buildShow says how far a build is: each stage, and within one every second.
type buildShow struct {
	show  *show
	stage string
	said  time.Time
}

func (b *buildShow) report(stage string, done, total int64) {
	if stage == b.stage && time.Since(b.said) < time.Second {
		return
	}
	b.stage, b.said = stage, time.Now()
	switch {
	case total > 0:
		b.show.say(fmt.Sprintf("%s: %d of %d", stage, done, total))
	case done > 0:
		b.show.say(fmt.Sprintf("%s: %d", stage, done))
	default:
		b.show.say(stage)
	}
}
