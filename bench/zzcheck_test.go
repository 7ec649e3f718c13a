package bench
import ("testing";"os";"strconv")
func TestZZCheck(t *testing.T){
 n,_:=strconv.Atoi(os.Getenv("N")); off,_:=strconv.Atoi(os.Getenv("OFF"))
 c:=Config{}.withDefaults(20,2,320,480)
 res:=&CheckResult{Faults:[]CheckFault{{Name:"none"}}}
 for _,f:=range faults{res.Faults=append(res.Faults,CheckFault{Name:f.name})}
 for s:=off;s<off+n;s++{ for k:= -2;k<len(faults);k++{ if err:=res.seeded(t.Context(),c,uint64(s),k);err!=nil{t.Fatal(err)} } }
 t.Log("\n"+res.String())
}
