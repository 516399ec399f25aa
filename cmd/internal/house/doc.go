// Package house holds the tests of the house itself: who may import whom, and what the pure floors may not touch.
package house
