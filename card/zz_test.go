package card
import ("testing";"os";"strings";"flatfell.example/raster";"flatfell.example/internal/photo";"image";"path/filepath";"fmt")
func TestZZPair(t *testing.T){
 fs:=strings.Fields(os.Getenv("F"))
 var ls []*look
 for _,f:=range fs{ m,_:=filepath.Glob(f); l,err:=read(t.Context(),m[0]); if err!=nil{t.Fatal(err)}; ls=append(ls,l)}
 for i:=range ls[:len(ls)-1]{ a,b:=ls[i],ls[i+1]
  tn,ok:=findTurn(a,b,0,1); c,dx,dy:=sameness(&a.view,&b.view); st,sok:=exposureStops(&a.view,&b.view,dx,dy)
  fmt.Printf("%s %s turn %+v %v same %.3f %d %d ev %.2f %v focus %.2f corners %d\n",a.name.stem,b.name.stem,tn,ok,c,dx,dy,st,sok,focusChange(&a.sharp,&b.sharp),len(a.corners.Points)) }
 w,h:=0,0
 for _,l:=range ls{w+=l.shot.Small.Rect.Dx()+4;h=max(h,l.shot.Small.Rect.Dy())}
 out:=raster.NewPicture(image.Rect(0,0,w,h)); x:=0
 for _,l:=range ls{ p:=l.shot.Small; for y:=range p.Rect.Dy(){copy(out.Row(y)[3*x:],p.Row(y))}; x+=p.Rect.Dx()+4}
 if o:=os.Getenv("OUT");o!=""{ photo.Write(t.Context(),o,out,photo.WriteOptions{Overwrite:true}) }
}
