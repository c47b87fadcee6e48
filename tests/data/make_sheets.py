"""Writes the sheets of three fictional collectors, each in another style, with the place where a person would put each coin.

    python -m tests.data.make_sheets

The last cell of a row here is that place: an id of the definition beside the sheet; `= place` for a coin that belongs there
but is the lesser one of two; `~ place` where people would choose either of two; `-` for one that belongs to no place. It is
no part of the sheet. The tables were written by hand, before the code that reads such sheets, from what collectors write
(common practice of the trade, no source).
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from xml.sax.saxutils import escape

import openpyxl
from openpyxl.styles import Font

WHERE = Path(__file__).with_name("sheets")

# --- Hannes Brücker: a text file of a German spreadsheet ------------------------------------------------------------------

BRUECKER_HEAD = (
    "Nr.|Land|Nominal|Jahr|Mzz.|Metall|Gewicht|Ø|Erh.|Bezahlt|Gekauft bei|Gekauft am|Ablage|Tausch|Bemerkung"
)
BRUECKER = """
# Kaiserreich
1|Deutsches Reich|1 Pfennig|1890|A|Kupfer|2,00|17,5|ss|1,50 €|Börse Kleinfeld|12.03.2018|Album 1||k-1pf
2|Deutsches Reich|1 Pfennig|1898|F|Kupfer||17,5|s|0,50 €|Börse Kleinfeld|12.03.2018|Album 1|ja|= k-1pf
3|Deutsches Reich|2 Pfennig|1906|D|Kupfer|3,3|20|ss-vz|2,00 €|Erbstück||Album 1||k-2pf
4|Deutsches Reich|5 Pfennig|1899|A|Kupfernickel|2,5|18|ss|1,00 €|Erbstück||Album 1||k-5pf
5|Deutsches Reich|10 Pfennig|1908|J|Kupfernickel|4,0|21|vz|3,50 €|Münzladen Ahrweg|02.11.2019|Album 1||k-10pf
6|Deutsches Reich|10 Pfennig|1912|G|Kupfernickel||21|s|0,80 €|||Album 1|ja|= k-10pf
7|Deutsches Reich|25 Pfennig|1910|A|Nickel|4,0|23|vz|14,00 €|Münzladen Ahrweg|02.11.2019|Album 1||k-25pf
8|Deutsches Reich|1/2 Mark|1905|E|Silber|2,78|20|ss|4,00 €|Börse Kleinfeld|09.03.2019|Album 1||k-halb
9|Deutsches Reich|1 Mark|1914|F|Silber|5,55|24|vz|9,50 €|Börse Kleinfeld|09.03.2019|Album 1|nein|k-1mark
10|Deutsches Reich|1 Mark|1881|A|Silber|5,40|24|s|7,00 €|Opa||Album 1||= k-1mark
# Inflation und Weimarer Republik
11|Deutsches Reich|50 Pfennig|1921|A|Aluminium|1,6|23|vz|0,50 €|Flohmarkt||Album 1||w-50pf
12|Deutsches Reich|3 Mark|1922|A|Aluminium|2|28|vz|1,00 €|Flohmarkt||Album 1||w-3mark
13|Deutsches Reich|200 Mark|1923|G|Aluminium|1|23|ss|0,50 €|Flohmarkt||Album 1||w-200
14|Deutsches Reich|500 Mark|1923|E|Aluminium|1,7|27|vz|1,00 €|Flohmarkt||Album 1||w-500
15|Deutsches Reich|2 Reichspfennig|1925|D|Bronze|3,3|20|ss|0,80 €|||Album 1||w-2rpf
16|Deutsches Reich|5 Reichspfennig|1936|A|Aluminiumbronze|2,5|18|ss|0,50 €|||Album 1||w-5rpf
17|Deutsches Reich|10 Reichspfennig|1929|F|Aluminiumbronze|4|21|s-ss|0,50 €|||Album 1||w-10rpf
18|Deutsches Reich|1 Reichsmark|1926|A|Silber|5|23|ss|12,00 €|Münzladen Ahrweg|18.05.2020|Album 1||w-1rm
# Danzig
19|Danzig|1 Pfennig|1923|ohne|Bronze|1,7|17|vz|8,00 €|Münzladen Ahrweg|18.05.2020|Album 2||dz-1pf
20|Danzig|10 Pfennig|1932|ohne|Aluminiumbronze||21|ss|15,00 €|Auktion Rheinau|21.09.2021|Album 2||dz-10pf
# Bundesrepublik
21|BRD|1 Pfennig|1950|G|Stahl, kupferplattiert|2|16,5|ss||Umlauf||Album 3||= b-1pf
22|BRD|1 Pfennig|1967|G||||vz||Umlauf||Album 3|ja|b-1pf
23|BRD|2 Pfennig|1969|J||||ss||Umlauf||Album 3||b-2pf
24|BRD|5 Pfennig|1972|D||3|18,5|vz||Umlauf||Album 3||b-5pf
25|BRD|10 Pfennig|1949|F|||21,5|s||Umlauf||Album 3||= b-10pf
26|BRD|10 Pfennig|1987|F||||st||Umlauf||Album 3||b-10pf
27|BRD|50 Pfennig|1966|J|Kupfernickel|3,5|20|ss||Umlauf||Album 3||b-50pf
28|BRD|1 DM|1956|D|Kupfernickel|5,5|23,5|ss||Umlauf||Album 3||~ b-1dm
29|BRD|1 DM|1990|A|Kupfernickel|5,5|23,5|PP|3,00 €|Börse Kleinfeld|14.03.2020|Album 3||~ b-1dm
30|BRD|2 DM|1970|F|Kupfernickel|7|26,75|ss||Umlauf||Album 3||b-2dm
31|BRD|5 DM|1951|F|Silber|11,2|29|ss|7,00 €|||Album 3||= b-5dm-s
32|BRD|5 DM|1966|D|Silber|11,2|29|vz|8,00 €|Börse Kleinfeld|14.03.2020|Album 3||b-5dm-s
33|BRD|5 DM|1975|J|Kupfernickel|10|29|vz||Umlauf||Album 3||b-5dm-cn
# DDR
34|DDR|1 Pfennig|1968|A|Aluminium|0,75|17|vz||Flohmarkt||Album 4||d-1pf
35|DDR|5 Pfennig|1952|A|Aluminium|1,1|19|s||Flohmarkt||Album 4||d-5pf
36|DDR|10 Pfennig|1965|A|Aluminium|1,5|21|ss||Flohmarkt||Album 4||d-10pf
37|DDR|20 Pfennig|1969||Messing|5,4|22,2|ss|0,50 €|Flohmarkt||Album 4||d-20pf
38|DDR|50 Pfennig|1958|A|Aluminium|2|23|ss||Flohmarkt||Album 4||d-50pf
39|DDR|50 Pfennig|1950|A|Aluminiumbronze|||s|11,00 €|Auktion Rheinau|21.09.2021|Album 4||= d-50pf
40|DDR|1 Mark|1977|A|Aluminium|2,5|25|vz||Flohmarkt||Album 4||d-1mark
# Österreich
41|Österreich-Ungarn|1 Heller|1895||Bronze|1,7|17|ss|0,50 €|Urlaub Wien|08.08.2017|Album 5||ah-1h
42|Österreich-Ungarn|2 Heller|1911||Bronze|3,3|19|ss|0,50 €|Urlaub Wien|08.08.2017|Album 5||ah-2h
43|Österreich-Ungarn|20 Heller|1916||Eisen|3,3|21|s|0,50 €|Urlaub Wien|08.08.2017|Album 5||ah-20h
44|Österreich-Ungarn|1 Krone|1915||Silber|5|23|vz|6,00 €|Urlaub Wien|08.08.2017|Album 5||ah-1kr
45|Österreich|1 Groschen|1926||Bronze|1,6|17|ss|0,50 €|||Album 5||at-1g
46|Österreich|2 Groschen|1951||Aluminium|0,9|18|vz|0,20 €|||Album 5||at-2g
47|Österreich|10 Groschen|1990||Aluminium|1,1|20|st|0,20 €|||Album 5||at-10g
48|Österreich|50 Groschen|1961||Aluminiumbronze|3|19,5|ss||||Album 5||at-50g
49|Österreich|1 Schilling|1925||Silber|6|26|ss|5,50 €|Urlaub Wien|10.08.2017|Album 5||at-1s
50|Österreich|5 Schilling|1960||Silber|5,2|23,5|vz|4,00 €|Urlaub Wien|10.08.2017|Album 5||at-5s
# Schweiz
51|Schweiz|5 Rappen|1932|B|Nickel|2|17,1|ss|1,00 CHF|Tante Rösli||Album 6||ch-5r
52|Schweiz|10 Rappen|1969|B|Kupfernickel|3|19,1|vz|0,10 CHF|Umlauf||Album 6||ch-10r
53|Schweiz|20 Rappen|1894|B|Nickel|4|21|s|2,00 CHF|Tante Rösli||Album 6||ch-20r
54|Schweiz|1/2 Franken|1958|B|Silber|2,5|18,2|ss|3,00 CHF|Tante Rösli||Album 6||ch-halb
55|Schweiz|1 Franken|1945|B|Silber|5|23,2|vz|5,00 CHF|Tante Rösli||Album 6||ch-1f
56|Schweiz|2 Franken|1968||Kupfernickel|8,8|27,4|ss|2,00 CHF|Umlauf||Album 6||ch-2f
# Sonstige
57|Liechtenstein|1 Krone|1904||Silber|5|23|ss|35,00 €|Auktion Rheinau|21.09.2021|Kassette|nein|-
58|Luxemburg|10 Centimes|1930||Bronze|3|20|ss|0,50 €|Flohmarkt||Kassette|ja|-
59|Belgien|1 Franc|1922||Nickel|5|23|s|0,20 €|Flohmarkt||Kassette|ja|-
60|Deutsches Reich|5 Mark|1876|B|Silber|27,5|38|s|28,00 €|Auktion Rheinau|21.09.2021|Kassette|nein|-
"""
BRUECKER_NOTES = {
    9: "schöne Patina", 10: "gelocht", 20: "selten in dieser Erhaltung", 25: "Bank Deutscher Länder",
    29: "aus Satz", 31: "Kratzer", 39: "Randfehler", 43: "etwas Rost", 53: "altes Bild", 60: "Hannover",
}  # fmt: skip

# --- Winifred Tarrant: a workbook with merged cells ------------------------------------------------------------------------

TARRANT_HEAD = "Ref|Country|Reign|Type|Date|MM|Metal|Grade|Paid|Where bought|When bought|Location|For trade|Comments"
TARRANT = """
# VICTORIA
T1|Great Britain|Victoria|Farthing|1886|||VF|£1.50|Fenwick Fair|12/03/2016|Tray 1||farthing-v
T2|Great Britain|Victoria|½d|1862|||F|£2.00|Fenwick Fair|12/03/2016|Tray 1||halfpenny-v
T3|Great Britain|Victoria|1d|1875|||Fine|£3.50|Fenwick Fair|12/03/2016|Tray 1||penny-bun
T4|Great Britain|Victoria|1d|1867|||VG|£2.00|gift||Tray 1|Y|= penny-bun
T5|Great Britain|Victoria|1d|1899|||GVF|£4.00|Mr Oakes|05/06/2017|Tray 1||penny-old
T6|Great Britain|Victoria|3d|1887|||EF|£6.00|Mr Oakes|05/06/2017|Tray 1||3d-925
T7|Great Britain|Victoria|4d|1838||silver|F|£9.00|Mr Oakes|05/06/2017|Tray 1||4d
T8|Great Britain|Victoria|6d|1897|||VF|£7.00|Mr Oakes|05/06/2017|Tray 1||6d-925
T9|Great Britain|Victoria|1/-|1887||||£8.00|Fenwick Fair|11/03/2017|Tray 1|Y|= 1s-925
T10|Great Britain|Victoria|2/-|1872|||Fair|£12.00|Fenwick Fair|11/03/2017|Tray 1|Y|= 2s-925
T11|Great Britain|Victoria|2/6|1889|||GF|£16.00|Fenwick Fair|11/03/2017|Tray 1||hc-925
T12|Great Britain|Victoria|Crown|1890|||VF|£32.00|Saleroom, Thorne|20/10/2018|Tray 1||crown-925
T13|Great Britain|Victoria|Sovereign|1872||gold|VF|£295|Saleroom, Thorne|20/10/2018|Bank||sovereign
# EDWARD VII
T14|Great Britain|Edward VII|1/3 Farthing|1902|||EF|£9.00|Mr Oakes|02/02/2019|Tray 2||-
T15|Great Britain|Edward VII|1d|1907|||F|30p|Fenwick Fair|10/03/2018|Tray 2||= penny-e7
T16|Great Britain|Edward VII|1d|1902|||VF|£2.50|Mr Oakes|02/02/2019|Tray 2||penny-e7
T17|Great Britain|Edward VII|½d|1909|||VF|£1.80|Mr Oakes|02/02/2019|Tray 2||-
T18|Great Britain|Edward VII|3d|1909|||F|£2.50|Fenwick Fair|10/03/2018|Tray 2|Y|= 3d-925
T19|Great Britain|Edward VII|1/-|1902|||VF|£14.00|Mr Oakes|02/02/2019|Tray 2||~ 1s-925
T20|Great Britain|Edward VII|2/-|1903|||NF|£12.50|Mr Oakes|02/02/2019|Tray 2||2s-925
# GEORGE V
T21|Great Britain|George V|Farthing|1919|||VF|50p|Fenwick Fair|09/03/2019|Tray 3||farthing-g5
T22|Great Britain|George V|½d|1927|||VF|£1.00|Fenwick Fair|09/03/2019|Tray 3||halfpenny-g5
T23|Great Britain|George V|1d|1936|||EF|£2.00|Fenwick Fair|09/03/2019|Tray 3||penny-g5
T24|Great Britain|George V|1d|1912|H||VF|£5.00|Mr Oakes|14/09/2019|Tray 3||= penny-g5
T25|Great Britain|George V|3d|1919|||VF|£2.20|Mr Oakes|14/09/2019|Tray 3||= 3d-925
T26|Great Britain|George V|3d|1933|||VF|£1.60|Mr Oakes|14/09/2019|Tray 3||~ 3d-500
T27|Great Britain|George V|6d|1916|||F|£3.30|Fenwick Fair|09/03/2019|Tray 3||= 6d-925
T28|Great Britain|George V|6d|1928|||VF|£3.00|Fenwick Fair|09/03/2019|Tray 3||~ 6d-500
T29|Great Britain|George V|1/-|1918|||VF|£6.50|Mr Oakes|14/09/2019|Tray 3||~ 1s-925
T30|Great Britain|George V|1/-|1920|||F|£3.00|Mr Oakes|14/09/2019|Tray 3||~ 1s-925, 1s-500
T31|Great Britain|George V|1/-|1929|||VF|£3.75|Fenwick Fair|07/03/2020|Tray 3||= 1s-500
T32|Great Britain|George V|2/-|1929|||GF|£5.20|Fenwick Fair|07/03/2020|Tray 3||= 2s-500
T33|Great Britain|George V|2/6|1915|||VG|£8.80|Fenwick Fair|07/03/2020|Tray 3||= hc-925
T34|Great Britain|George V|2/6|1935|||VF|£8.00|Fenwick Fair|07/03/2020|Tray 3||~ hc-500
T35|Great Britain|George V|Crown|1935|||EF|£24.00|Saleroom, Thorne|17/10/2020|Tray 3||crown-500
# GEORGE VI
T36|Great Britain|George VI|Farthing|1943|||EF|50p|gift||Tray 4||= farthing-wren
T37|Great Britain|George VI|½d|1938|||EF|80p|gift||Tray 4||= halfpenny-ship
T38|Great Britain|George VI|1d|1949|||VF|60p|gift||Tray 4||penny-g6
T39|Great Britain|George VI|3d|1941||silver|VF|£2.40|Mr Oakes|12/06/2021|Tray 4||~ 3d-500
T40|Great Britain|George VI|3d|1943||nickel brass|VF|40p|gift||Tray 4||= 3d-brass
T41|Great Britain|George VI|6d|1942|||VF|£2.00|Mr Oakes|12/06/2021|Tray 4||~ 6d-500
T42|Great Britain|George VI|6d|1951|||VF|50p|gift||Tray 4||= 6d-cn
T43|Great Britain|George VI|1/-|1943|||EF|£4.00|Mr Oakes|12/06/2021|Tray 4||1s-500
T44|Great Britain|George VI|1/-|1949|||VF|50p|gift||Tray 4||= 1s-cn
T45|Great Britain|George VI|2/-|1945|||VF|£5.00|Mr Oakes|12/06/2021|Tray 4||2s-500
T46|Great Britain|George VI|2/-|1948|||F|50p|gift||Tray 4||= 2s-cn
T47|Great Britain|George VI|2/6|1940|||VF|£7.00|Mr Oakes|12/06/2021|Tray 4||~ hc-500
T48|Great Britain|George VI|2/6|1950|||VF|£1.20|gift||Tray 4||= hc-cn
# ELIZABETH II
T49|Great Britain|Elizabeth II|Farthing|1954|||UNC|£1.50|gift||Tray 5||farthing-wren
T50|Great Britain|Elizabeth II|½d|1967|||AU|20p|change||Tray 5||halfpenny-ship
T51|Great Britain|Elizabeth II|1d|1963|||EF|20p|change||Tray 5||penny-e2
T52|Great Britain|Elizabeth II|3d|1960||nickel brass|EF|30p|change||Tray 5||3d-brass
T53|Great Britain|Elizabeth II|6d|1966|||EF|20p|change||Tray 5||6d-cn
T54|Great Britain|Elizabeth II|1/-|1958|||EF|30p|change||Tray 5||1s-cn
T55|Great Britain|Elizabeth II|2/-|1967|||AU|50p|change||Tray 5||2s-cn
T56|Great Britain|Elizabeth II|2/6|1960|||EF|80p|change||Tray 5||hc-cn
# OVERSEAS
T57|Australia|George V|1/-|1926|||F|£4.00|Mr Oakes|12/06/2021|Tray 6||-
T58|Ireland||2/6|1928||silver|VF|£11.00|Mr Oakes|12/06/2021|Tray 6||-
T59|New Zealand|George VI|6d|1942|||F|£2.00|Mr Oakes|12/06/2021|Tray 6||-
T60|South Africa|George VI|3d|1943|||VF|£1.00|Mr Oakes|12/06/2021|Tray 6||-
"""
TARRANT_NOTES = {
    2: "beaded border", 9: "holed", 10: "ex-mount", 12: "edge knock", 24: "Heaton", 30: "silver, which alloy?",
    36: "wren", 37: "Golden Hind", 50: "bright",
}  # fmt: skip

# --- Dale Whitcombe: an OpenDocument sheet without numbers in a column of their own name -----------------------------------

WHITCOMBE_HEAD = "Item #|Qty|Country|Denom|Date|MM|Description|Grade|Cost|Purchased from|Purchase date|Box|Remarks"
WHITCOMBE = """
1|1|USA|Cent|1919|D|Wheat ears|VF-20|$1.25|Lake County show|4/12/2014|A||= wheat
2|1|USA|Cent|1955|S|Wheat ears|MS-63|$0.75|Lake County show|4/12/2014|A||wheat
3|1|USA|Cent|1943|none|Steel|AU-55|$0.50|found||A||steel
4|1|USA|Nickel|1944|P|Wartime|XF-40|$2.00|Lake County show|4/12/2014|A||war
5|1|USA|Nickel|1961|D||MS-64|$0.25|roll||A||jefferson
6|1|USA|Dime|1943||Winged head|VF-30|$3.25|Harlan Coin Room|9/20/2015|A||winged
7|1|USA|Dime|1916|S|Winged head|G-4|$4.00|Harlan Coin Room|9/20/2015|A||= winged
8|1|USA|Dime|1963|D||MS-63|$2.50|Harlan Coin Room|9/20/2015|A||dime-s
9|1|USA|Dime|1996|W||MS-66|$14.00|Harlan Coin Room|9/20/2015|A||dime-clad
10|2|USA|Quarter|1964||Washington|AU-50|$5.00|Harlan Coin Room|9/20/2015|A||quarter-s
11|1|USA|Quarter|1998|P|Washington|MS-65|$0.25|change||A||quarter-clad
12|1|USA|Half dollar|1942||Walking Liberty|XF-45|$14.00|Lake County show|4/11/2015|B||half-w
13|1|USA|Half dollar|1936|D|Walking Liberty|VG-8|$12.00|Lake County show|4/11/2015|B|cleaned|= half-w
14|1|USA|Half|1967||Kennedy|MS-63|$6.00|Lake County show|4/11/2015|B||half-40
15|1|USA|Half|1964||Kennedy|MS-63|$12.00|Lake County show|4/11/2015|B||half-90
16|1|USA|Dollar|1881|S|Liberty head|MS-63|$58.00|Harlan Coin Room|3/7/2016|B||dollar-old
17|1|USA|Dollar|1921||Liberty head|VF-35|$31.00|Harlan Coin Room|3/7/2016|B||= dollar-old
18|1|USA|Dollar|1923||Peace|AU-58|$36.00|Harlan Coin Room|3/7/2016|B||dollar-peace
19|1|USA|Dime|1887|S|Seated|VG-10|$18.00|Harlan Coin Room|3/7/2016|B||-
20|1|USA|Half dime|1853||Seated|F-12|$24.00|Harlan Coin Room|3/7/2016|B||-
21|1|Australia|50 cents|1976||Emu and kangaroo with shield|VF|$1.00|trade, Otto||Z||animals/emu
22|1|Australia|Penny|1951||Kangaroo leaping left|VF|$1.00|trade, Otto||Z||= animals/kangaroo
23|1|Australia|Halfpenny|1942||Kangaroo|EF|$1.50|trade, Otto||Z||animals/kangaroo
24|1|Australia|20 cents|1981||Platypus swimming|XF|$0.50|trade, Otto||Z||animals/platypus
25|1|Australia|2 cents|1976||Frilled lizard|AU|$0.25|trade, Otto||Z||animals/frilled_lizard
26|1|Australia|1 dollar|1984||Five kangaroos|VF|$1.00|trade, Otto||Z||= animals/kangaroo
27|1|Australia|10 cents|1980||Lyrebird|AU|$0.25|trade, Otto||Z||animals/lyrebird
28|1|New Zealand|Florin|1951||Kiwi bird|VF|$3.00|trade, Otto||Z||animals/kiwi
29|1|New Zealand|Sixpence|1943||Huia|F|$3.00|trade, Otto||Z||animals/huia
30|1|New Zealand|5 cents|1967||Tuatara|XF|$0.25|trade, Otto||Z||animals/tuatara
31|1|Canada|5 cents|1949||Beaver on rock|VF|$0.50|junk box||Z||animals/beaver
32|1|Canada|25 cents|1973||Mounted police, horse|XF|$0.50|junk box||Z||animals/horse
33|1|Canada|1 dollar|1987||Loon|AU|$1.25|junk box||Z||animals/loon
34|1|Canada|2 dollars|1996||Polar bear|XF|$2.00|junk box||Z||animals/polar_bear
35|1|Canada|25 cents|1968||Caribou head|VF|$4.00|junk box||Z||animals/caribou
36|1|Ireland|Penny|1942||Hen with chicks|VF|$1.00|Sean B.||Z||animals/hen
37|1|Ireland|Halfpenny|1937||Sow and piglets|F|$1.00|Sean B.||Z||animals/pig
38|1|Ireland|3d|1942||Hare|VF|$2.00|Sean B.||Z||animals/hare
39|1|Ireland|Sixpence|1964||Wolfhound|XF|$1.00|Sean B.||Z||animals/wolfhound
40|1|Ireland|Shilling|1955||Bull|XF|$2.00|Sean B.||Z||animals/bull
41|1|Ireland|Florin|1959||Salmon|VF|$2.00|Sean B.||Z||animals/salmon
42|1|Ireland|Half crown|1962||Horse standing|VF|$2.00|Sean B.||Z||= animals/horse
43|1|Ireland|Farthing|1953||Woodcock|XF|$2.00|Sean B.||Z||animals/woodcock
44|1|South Africa|Shilling|1896||Arms|VF|$9.00|junk box||Z||-
45|1|South Africa|1 rand|1969||Springbok|AU|$11.00|junk box||Z||animals/springbok
46|1|South Africa|1 cent|1970||Two sparrows|XF|$0.25|junk box||Z||animals/sparrow
47|1|South Africa|2 cents|1967||Wildebeest|VF|$0.25|junk box||Z||animals/wildebeest
48|1|Rhodesia|2 1/2 shillings|1964||Sable antelope|F|$0.25|junk box||Z||animals/antelope
49|1|Norway|50 ore|1963||Elkhound|VF|$0.25|junk box||Z||animals/elkhound
50|1|Norway|1 krone|1963||Horse|F|$0.50|junk box||Z||= animals/horse
51|1|Norway|5 ore|1959||Elk|VF|$0.50|junk box||Z||animals/elk
52|1|Iceland|1 krona|1981||Cod|AU|$0.25|junk box||Z||animals/cod
53|1|Iceland|5 kronur|1981||Two dolphins|XF|$0.25|junk box||Z||animals/dolphin
54|1|Iceland|50 kronur|1987||Crab|VF|$0.50|junk box||Z||animals/crab
55|1|Greece|2 drachmai|1973||Owl|XF|$0.50|junk box||Z||animals/owl
56|1|Greece|20 drachmai|1973||Pegasus|VF|$0.50|junk box||Z||~ animals/pegasus
57|1|Italy|5 lire|1955||Dolphin|F|$0.10|junk box||Z||= animals/dolphin
58|1|Italy|10 lire|1950||Pegasus flying|VF|$1.50|junk box||Z||~ animals/pegasus
59|1|Belgian Congo|5 francs|1936||Lion walking left|F|$9.00|Sean B.||Z||animals/lion
60|1|Singapore|10 cents|1979||Seahorse|XF|$0.25|junk box||Z||animals/seahorse
"""


def rows_of(text: str) -> tuple[list[tuple[str, list[str]]], list[str | None]]:
    """The rows as (section, cells) without the last cell, and the last cells."""
    section, rows, places = "", [], []
    for line in text.strip().splitlines():
        if line.startswith("# "):
            section = line[2:]
            continue
        *cells, place = line.split("|")
        rows.append((section, cells))
        places.append(place.strip())
    return rows, places


def expected(rows: Iterable[tuple[str, Sequence[str]]], places: Iterable[str | None]) -> dict[str, dict[str, object]]:
    table: dict[str, dict[str, object]] = {}
    for (_, cells), place in zip(rows, places, strict=True):
        text = place or ""
        role = "outside" if text == "-" else {"=": "duplicate", "~": "either"}.get(text[:1], "place")
        table[cells[0]] = {
            "role": role,
            "places": [] if role == "outside" else [name.strip() for name in text.lstrip("=~").split(",")],
        }
    return table


def bruecker() -> tuple[bytes, dict[str, dict[str, object]]]:
    rows, places = rows_of(BRUECKER)
    head = BRUECKER_HEAD.split("|")
    lines = ["Sammlung Hannes Brücker;" + ";" * (len(head) - 2), "Stand: November 2026;" + ";" * (len(head) - 2), ""]
    lines.append(";".join(head))
    shown = ""
    for section, cells in rows:
        if section != shown:
            shown = section
            lines.append(section + ";" * (len(head) - 1))
        lines.append(";".join([*cells, BRUECKER_NOTES.get(int(cells[0]), "")]))
    lines += ["Summe;;;;;;;;;278,70 €;;;;;", ""]
    return "\r\n".join(lines).encode("cp1252"), expected(rows, places)


def tarrant() -> tuple[bytes, dict[str, dict[str, object]]]:
    rows, places = rows_of(TARRANT)
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Coins"
    sheet.append(["Winifred Tarrant - my type set of British coins before 1971"])
    sheet.merge_cells("A1:N1")
    sheet.append([])
    head = TARRANT_HEAD.split("|")
    sheet.append(head)
    for cell in sheet[3]:
        cell.font = Font(bold=True)
    shown, first = "", {}
    for count, (section, cells) in enumerate(rows, 1):
        if section != shown:
            shown = section
            sheet.append([section])
            sheet.merge_cells(start_row=sheet.max_row, end_row=sheet.max_row, start_column=1, end_column=len(head))
        values: list[object] = [*cells, TARRANT_NOTES.get(count, "")]
        values[4] = int(cells[4])
        day, month, year = map(int, cells[10].split("/")) if cells[10] else (0, 0, 0)
        values[10] = date(year, month, day) if year else None
        sheet.append([value if value != "" else None for value in values])
        for column in (2, 3):
            first.setdefault((section, column, cells[column - 1]), []).append(sheet.max_row)
    for (_, column, value), numbers in first.items():
        if value and len(numbers) > 1:
            sheet.merge_cells(start_row=numbers[0], end_row=numbers[-1], start_column=column, end_column=column)
    sheet.append([])
    sheet.append(["Total", None, None, None, None, None, None, None, "£638.65"])
    made = io.BytesIO()
    book.save(made)
    return made.getvalue(), expected(rows, places)


_NS = " ".join(
    f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
)


def whitcombe() -> tuple[bytes, dict[str, dict[str, object]]]:
    rows, places = rows_of(WHITCOMBE)
    lines = [WHITCOMBE_HEAD.split("|"), *(cells for _, cells in rows)]
    body = "".join(f"<table:table-row>{''.join(map(_ods_cell, cells))}</table:table-row>" for cells in lines)
    blank = '<table:table-cell table:number-columns-repeated="16384"/>'
    body += f'<table:table-row table:number-rows-repeated="1048000">{blank}</table:table-row>'
    return ods_of(body), expected(rows, places)


def ods_of(body: str) -> bytes:
    """An OpenDocument spreadsheet of one sheet with these rows."""
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {_NS} office:version="1.3"><office:body>'
        f'<office:spreadsheet><table:table table:name="World">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest manifest:version="1.3" '
        'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", kind, zipfile.ZIP_STORED)
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr("content.xml", content)
    return made.getvalue()


def _ods_cell(text: str) -> str:
    if not text:
        return "<table:table-cell/>"
    if text.startswith("$"):
        kind = f'office:value-type="currency" office:currency="USD" office:value="{text[1:]}"'
    elif text.count("/") == 2 and text.replace("/", "").isdigit():
        month, day, year = map(int, text.split("/"))
        kind = f'office:value-type="date" office:date-value="{date(year, month, day).isoformat()}"'
    elif text.isdigit():
        kind = f'office:value-type="float" office:value="{text}"'
    else:
        kind = 'office:value-type="string"'
    return f"<table:table-cell {kind}><text:p>{escape(text)}</text:p></table:table-cell>"


def main() -> None:
    for name, made in (("bruecker.csv", bruecker), ("tarrant.xlsx", tarrant), ("whitcombe.ods", whitcombe)):
        raw, table = made()
        (WHERE / name).write_bytes(raw)
        text = json.dumps(table, ensure_ascii=False, indent=1)
        (WHERE / name).with_suffix(".expected.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
