-- One row per record that may explain a step of a gauge: alarms, modes, orders, reasons, in words.
select
    us                                 as us,
    station                            as station,
    case
        when kind = 'alarm_on' then 'alarm ' || coalesce(text, code, '?')
        when kind = 'mode' then 'mode ' || coalesce(state, '?')
        when kind = 'reason' then 'reason ' || coalesce(text, cause, '?')
        else 'order ' || coalesce("order", '?')
    end                                as words
from marks
where kind in ('alarm_on', 'mode', 'reason', 'order_start')
order by us, station, words
