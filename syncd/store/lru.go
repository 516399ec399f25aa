package store

import (
	"container/list"
	"sync"
)

// lru keeps what was used last, up to a weight. Whatever was put last stays, however heavy it is.
type lru[K comparable, V any] struct {
	most int

	mu     sync.Mutex // guards what follows
	weight int
	order  *list.List // front: used last
	items  map[K]*list.Element
}

type lruItem[K comparable, V any] struct {
	key    K
	value  V
	weight int
}

func newLRU[K comparable, V any](most int) *lru[K, V] {
	return &lru[K, V]{most: most, order: list.New(), items: map[K]*list.Element{}}
}

func (c *lru[K, V]) get(k K) (V, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.items[k]
	if !ok {
		var none V
		return none, false
	}
	c.order.MoveToFront(e)
	return e.Value.(*lruItem[K, V]).value, true
}

func (c *lru[K, V]) put(k K, v V, weight int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.items[k]; ok {
		c.remove(e)
	}
	c.items[k] = c.order.PushFront(&lruItem[K, V]{k, v, weight})
	c.weight += weight
	for c.weight > c.most && c.order.Len() > 1 {
		c.remove(c.order.Back())
	}
}

func (c *lru[K, V]) remove(e *list.Element) {
	item := c.order.Remove(e).(*lruItem[K, V])
	delete(c.items, item.key)
	c.weight -= item.weight
}
