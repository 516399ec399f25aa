package publog

import "time"

// CheckOften lets a Log that does not run yet look at its places more often than every minute.
func (l *Log) CheckOften() { l.checks = 50 * time.Millisecond }
