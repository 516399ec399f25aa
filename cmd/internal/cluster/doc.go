// Package cluster holds the tests of a centre whose streams are in a cluster: real message servers and real centres, each a
// process of its own, which are killed, stopped, cut off from each other, put back, and whose disks fill up, while devices push.
//
// The processes are the test's own binary, started again. Where root and the command ip allow, all of it happens in network
// namespaces that the test makes, each message server in one, and which end with it; elsewhere on ports of loopback, where
// what takes a cable to be pulled is left out, and said so.
package cluster
