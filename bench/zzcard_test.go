package bench
import ("testing";"os";"fmt";"path/filepath";"strconv";"flatfell.example/card";"flatfell.example/internal/scene";"time")
func TestZZCard(t *testing.T){
 lo,_:=strconv.Atoi(os.Getenv("LO")); hi,_:=strconv.Atoi(os.Getenv("HI"))
 for seed:=lo;seed<hi;seed++{
  made:=scene.NewCard(uint64(seed),scene.CardOptions{Width:200,Height:300})
  dir:=fmt.Sprintf("/tmp/ff/card/cards/%d",seed)
  if _,err:=os.Stat(dir+"/done");err!=nil{
    os.RemoveAll(dir)
    s:=time.Now()
    if err:=writeCard(t.Context(),0,made,dir+"/meta",dir+"/bare");err!=nil{t.Fatal(err)}
    os.WriteFile(dir+"/done",nil,0o666)
    t.Log("rendered",len(made.Shots),time.Since(s))
  }
  if os.Getenv("RENDER")!=""{continue}
  for _,m:=range []string{"meta","bare"}{
   root:=filepath.Join(dir,m); s:=time.Now()
   res,err:=card.Sort(t.Context(),[]string{root},card.Options{}); if err!=nil{t.Fatal(err)}
   files,right,wrong:=scoreCard(made,res,root)
   t.Logf("%d %s: %d of %d, %.1fs",seed,m,right,files,time.Since(s).Seconds())
   for _,w:=range wrong{t.Log("   ",w)}
  }
 }
}
