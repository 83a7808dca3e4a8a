package storetest

import (
	"fmt"
	"reflect"
	"time"
)

// filler sets every field of a value to something that differs from every other, so that a field that is not
// kept, or kept in the wrong column, shows. A field that is added later is covered without a change here.
type filler struct{ n int }

func filled[T any]() T {
	var v T
	(&filler{}).set(reflect.ValueOf(&v).Elem())
	return v
}

func (f *filler) set(v reflect.Value) {
	f.n++
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(start.Add(time.Duration(f.n) * time.Microsecond)))
		return
	case []byte:
		// Bytes that are no text: a store that takes a body for text shows.
		v.SetBytes([]byte(fmt.Sprintf("\x00\xff\xfebody %d é\r\n", f.n)))
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprintf("é'\"\\<&> %d", f.n))
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(f.n))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		f.set(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			f.set(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f.set(v.Field(i))
		}
	default:
		panic("storetest: no filling for " + v.Type().String())
	}
}
