// Package witness tells what stands about a record beside its writer's own word: between which two times it was written,
// how the clock stood that it was written by, and how safe it is.
//
// A record was written not before the last checkpoint of the public log that its device had checked before it: of a
// checkpoint nobody knows the root before there is one. What a device has checked it writes into its chain as
// checkpoint.seen, and the chain is what makes the order certain; so only those of them bound a record that come before
// it in its chain, and a visit without signal on Monday is not bounded by the contact on Thursday that brought it in. It
// was written not after the receipt of the push that brought it, for a healed range the first receipt of it. In between
// stands what the device's clock says, and the offset that was measured of it. Nothing is refused for its time: where what
// the clock says cannot be, that is flagged.
//
// A record is logged where it has a leaf in the log and the newest checkpoint covers it. It is cross-checked where
// another device, not one of the centre's own, has checked a checkpoint of this log that covers it too. What a device
// says of the log is held to the log first: a checkpoint that is not one of this log bounds nothing, vouches for nothing,
// and is flagged.
//
// The answers are made of the records and the log whenever somebody asks. They stand nowhere, so none of them can be
// older than the log.
package witness
