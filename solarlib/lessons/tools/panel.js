(function(me){var say=function(){var panel=me.closest('.sl-panel');if(!panel)return;
panel.querySelectorAll('.noUi-handle').forEach(function(handle){var row=handle.closest('.widget-inline-hbox');
if(!row)return;var name=row.querySelector('.widget-label'),value=row.querySelector('.widget-readout');
if(name)handle.setAttribute('aria-label',name.textContent);
if(value)handle.setAttribute('aria-valuetext',value.textContent)});
panel.querySelectorAll('.widget-toggle-buttons').forEach(function(row){var name=row.querySelector('.widget-label');
var box=row.querySelector('button');box=box&&box.parentElement;if(!box)return;box.setAttribute('role','group');
if(name&&name.textContent)box.setAttribute('aria-label',name.textContent);
box.querySelectorAll('button').forEach(function(button){
button.setAttribute('aria-pressed',button.classList.contains('mod-active'))})});
var view=panel.querySelector('.sl-view .widget-html-content');if(view)view.setAttribute('aria-live','polite')};
say();setTimeout(say,250)})(this)
