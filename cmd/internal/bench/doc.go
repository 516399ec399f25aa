// Package bench measures the whole way of a record, device and centre together, each time beside the bare thing in the
// same run. Parts that can be measured by themselves have their benchmarks beside them: the journal's in
// agent/journal, the read model's in syncd/store.
package bench
